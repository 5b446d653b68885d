"""The running daemon: the bootstrap, the service, its control loop, and what it says and remembers."""
