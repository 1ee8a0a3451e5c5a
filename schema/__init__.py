"""The contracts of greystep: what a plan, a capture, a method and a measurement are, and what a plugin must offer.

This package imports nothing else of greystep. A reader who wants to follow a plan to a number reads, in this order:
`plan`, `bench`, `roles`, `capture`, `layout`, `trace`, `method`, `figure`, `measurement`, `hooks`.
"""
