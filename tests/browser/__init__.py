"""Pages in a real browser, over a season of photos that were really scored."""
