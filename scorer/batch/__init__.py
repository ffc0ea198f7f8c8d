"""Score many photos: one bad photo never stops the rest, and any number of workers gives the same."""
