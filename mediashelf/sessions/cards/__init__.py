"""The card: what is on it, what goes on it, and whether it is there."""
