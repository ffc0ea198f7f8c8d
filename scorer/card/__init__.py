"""The reference card: what is printed on it, where it lies in a photo, and the colours it gives back."""
