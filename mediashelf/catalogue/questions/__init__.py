"""Questions over many images: which are copies, which look alike."""
