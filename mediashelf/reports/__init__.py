"""Pages for people: HTML and plain text."""
