"""Episodes for calibrating scores: faults and look-alikes by the dozen, on own seeds."""
