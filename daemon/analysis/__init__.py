"""Analysis: raw captures in, measurements out. One code path for live work, recompute and clusters.

`methods` loads definitions, `work` says what depends on what, `engine` does one piece of work as a pure function of raw files
and methods, `prepared` caches what need not be read again, `pool` and `cluster` carry work to processes, `scheduler` feeds
them from the catalogue, `analyst` does so in the background of the service, `recompute` on demand.
"""
