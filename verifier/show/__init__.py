"""Takes a record, gives the report a person reads."""
