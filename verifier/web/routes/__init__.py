"""The routes, one module per page."""
