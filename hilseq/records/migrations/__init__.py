"""How the tables of the records came to be, one step per file in `versions`."""
