"""The rulebook: reads and checks the rule sets and their options. May import: rules."""
