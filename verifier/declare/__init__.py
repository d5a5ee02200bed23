"""Takes a suite file and a repair order, gives a plan."""
