"""Which operating-system family can read a disc, and why not."""
