"""Raw images: find their tracks, judge every sector, convert them."""
