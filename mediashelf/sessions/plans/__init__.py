"""Session plans: the TOML that a person writes, and the files that it means."""
