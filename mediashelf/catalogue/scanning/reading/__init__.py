"""Read one image: its structure, every byte once, its raw sectors, the files inside."""
