"""Fruit: segmented by colour, parted, outlined, and fitted with a resting solid."""
