"""The demonstration: a real collector and a real agent on a stand-in drive, beside an invented fleet."""
