"""The pages on a disc that tell what is on it."""
