"""The screen and keys of a terminal. May import: status, rules, rulebook."""
