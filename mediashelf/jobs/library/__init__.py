"""The library: scan shelves, list, audit and mend images, keep what is known; checksum lists."""
