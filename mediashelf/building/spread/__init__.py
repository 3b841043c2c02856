"""One recipe on several discs, with packages whole."""
