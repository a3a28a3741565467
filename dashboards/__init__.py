"""Shows what analytics found; computes nothing that a reader would call a result."""
