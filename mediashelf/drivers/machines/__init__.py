"""The devices of a machine, from the texts that name them."""
