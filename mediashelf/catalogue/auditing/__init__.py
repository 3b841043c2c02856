"""Read images again and judge them against the catalogue."""
