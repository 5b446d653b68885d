"""What a person runs to decide: it never runs inside the daemon's process."""
