"""The rule sets: one TOML file for each code."""
