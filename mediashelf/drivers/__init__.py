"""Which device of a machine has a driver in a tree of packages, and is the driver whole."""
