"""The pages: they lay out and delegate, and compute nothing."""
