"""Commands that know the library: list, find, describe; and keep the catalogue itself."""
