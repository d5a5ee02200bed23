"""Takes an address, gives a host: where probes read."""

from verifier.gather.hosts.access import Access, Reaching, reach_again
from verifier.gather.hosts.facts import facts
from verifier.gather.hosts.opening import lasting, open_host

__all__ = ["Access", "Reaching", "facts", "lasting", "open_host", "reach_again"]
