"""Driver packages in a tree of files, and whether each is complete."""
