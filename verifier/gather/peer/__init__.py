"""The far end of a cable: takes a pairing, gives a `FarEnd` that load, loss and time are measured against.

`server.py` answers at the bench computer (`verifier peer`), `client.py` asks from the unit; `protocol.py`
says who may ask, and what an attacker on the bench network can and cannot do.
"""
