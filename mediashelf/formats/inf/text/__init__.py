"""The text of an INF: from bytes over lines and columns to sections, entries and strings."""
