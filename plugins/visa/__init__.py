"""Sessions with instruments over VISA. The only package that imports pyvisa, and only when a session is opened.

`block` parses bytes; a `Link` moves bytes by a deadline; a `Wire` makes messages of them; a `Session` adds the owner
thread, the distrust after a time-out and the dialogue.
"""
