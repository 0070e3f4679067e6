"""The running service: listener, the line every message walks, forwarder, timers, actions."""
