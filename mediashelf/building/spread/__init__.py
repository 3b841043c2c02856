"""One recipe on as few discs as hold it, with packages whole."""
