"""What a disc is, by its facts: dates, ways to boot, scripts of names, installers on it."""
