"""Each disc of a session before anything is copied: sound, readable, servable?"""
