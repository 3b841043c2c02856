"""ISO 9660 (ECMA-119), Joliet and El Torito: records in, frozen values out."""
