"""Is an image still what it was, and is it sound inside?"""
