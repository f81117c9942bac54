"""The pocket card of a rule set as a PDF. May import: rulebook."""
