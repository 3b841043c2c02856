"""The TOML files that people write: read within bounds, each mistake named with its place."""
