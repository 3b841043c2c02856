"""Questions over many images: which are copies, which look alike, what names are in them."""
