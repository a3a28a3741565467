"""Records into actuations and openings, as a chain of small steps on tables."""
