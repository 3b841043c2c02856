"""Files with an inner structure: archives, cabinets, programs, floppy images."""
