"""Pictures and shapes drawn for tests, whose truth is known because they were drawn."""
