"""The driver packages inside images on shelves: recorded once, asked for by a device's ids."""
