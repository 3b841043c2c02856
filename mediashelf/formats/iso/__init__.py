"""ISO 9660 (ECMA-119), Joliet, Rock Ridge and El Torito: records in, frozen values out."""
