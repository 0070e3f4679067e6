"""The page people work the queue with: rendered on the server, live, usable without a mouse."""
