"""The page of a whole library: every image, to search, to filter and to print."""
