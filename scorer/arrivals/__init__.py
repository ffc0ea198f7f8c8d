"""Photos that come in through the pages: taken to disk safely, scored in a process of their own, kept."""
