"""Commands for the library: shelves, scans, audits, lists."""
