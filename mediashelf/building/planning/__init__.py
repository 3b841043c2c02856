"""A disc before it is written: its listing, its plan, and what is wrong with it."""
