"""One module per group of commands; each has `register(subparsers)` and a `run`."""
