"""Limit and price tables changed in place: checked by their own readers, with who, when and why, and a way back."""
