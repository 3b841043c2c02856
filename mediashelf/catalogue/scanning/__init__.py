"""Read what is on shelves and record it."""
