"""Pure rules: dates in, decisions out. Imports the standard library only."""
