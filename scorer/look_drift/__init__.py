"""Whether the photos of a batch look like those that a model has learned from, by the measures of their marks."""
