"""Wants a vendor's library that is not there, as drivers do on another machine."""

import no_such_vendor_library  # noqa: F401
