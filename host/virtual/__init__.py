"""Virtual boards: the real node on simulated joints, in simulated time (``loop.py``)."""
