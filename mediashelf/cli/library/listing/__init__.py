"""What ``list`` says beside its table: the page of the library, and what is there twice."""
