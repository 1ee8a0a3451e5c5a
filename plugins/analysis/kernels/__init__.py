"""Compiled inner loops of the estimators: a few passes over samples, and the many small steps around a crossing.

Plain loops over arrays of doubles, compiled by numba once and kept on disk. Nothing is reordered, fused or run in threads, so
that the same trace gives the same bits in every process, and on every machine with the same mathematical library. Imported
where they are used: loading the compiler takes a quarter of a second.

One file each, and no file calls another's functions: what is kept on disk is made anew when its own file changes, not when
another one does.
"""
