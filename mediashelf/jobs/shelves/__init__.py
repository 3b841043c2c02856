"""Driver packages of the library: recorded by a scan, asked for a machine, put in a recipe."""
