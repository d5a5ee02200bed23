"""Takes stored records, gives trends: what fails, how often, how sure."""
