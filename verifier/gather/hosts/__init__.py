"""Takes an address, gives a host: where probes read."""
