"""The SQLite database of every image seen on every shelf."""
