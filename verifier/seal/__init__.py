"""Takes findings, gives a sealed record that anyone can check."""
