"""Takes readings, gives findings and the disposition of the unit."""
