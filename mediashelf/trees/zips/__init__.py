"""ZIP archives: listed by their directory, expanded member by member."""
