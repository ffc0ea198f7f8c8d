"""Plans for taking fruit: how many, which ones, and when it is enough to say stop."""
