"""Partition tables before a volume, of hybrid images: MBR and GPT."""
