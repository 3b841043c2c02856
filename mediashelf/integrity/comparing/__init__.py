"""Two trees or discs beside each other: what is only in one, changed, moved, renamed, the same."""
