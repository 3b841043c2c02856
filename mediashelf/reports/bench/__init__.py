"""Pages for the bench: the run sheet and the session report."""
