"""Published situations with their answers and sources, and how each is asked."""
