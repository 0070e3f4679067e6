"""Makes `databases` importable by every room of tests."""
