"""Is a file still what was recorded of it? Digests, records and their comparison."""
