"""Records into derived tables, in blocks of days, anew only where something changed."""
