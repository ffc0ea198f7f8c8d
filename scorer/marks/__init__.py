"""Marks on the skin of one fruit: contrast maps, proposals, measures."""
