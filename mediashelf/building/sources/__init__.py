"""What goes on a disc: folders and archives, listed, read and digested."""
