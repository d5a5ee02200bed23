"""Takes sealed records, gives them back by question: a searchable copy that can always be rebuilt."""
