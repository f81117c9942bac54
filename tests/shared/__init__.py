"""What several suites share: virtual time, and readers of the pages that promise something."""
