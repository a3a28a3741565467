"""Orders held against simulated venues whose future is known."""
