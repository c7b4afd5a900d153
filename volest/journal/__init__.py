"""Journal: what was poured, kept in one file, and what that teaches in words."""
