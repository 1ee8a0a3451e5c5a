"""Any other VISA session (USBTMC, GPIB, VXI-11, or another VISA library): carried by the library's own calls."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any, Final

from .link import LinkClosed, LinkTimeout, remaining

CHUNK_BYTES: Final = 1 << 20


class _NotOfferedError(LinkClosed):
    """The back end has no such call."""


class MessageLink:
    """Bytes over a message-based VISA session."""

    ends = True

    def __init__(self, resource: Any, release: Callable[[], None]) -> None:
        self._resource = resource
        self._release: Callable[[], None] | None = release

    def write(self, data: bytes, deadline: float) -> None:
        """See `Link`."""
        with self._limited(deadline):
            self._resource.visalib.write(self._resource.session, data)

    def read_into(self, buffer: memoryview, deadline: float) -> tuple[int, bool]:
        """See `Link`."""
        from pyvisa.constants import StatusCode

        more = StatusCode.success_max_count_read
        resource = self._resource
        with self._limited(deadline), resource.ignore_warning(StatusCode.success_device_not_present, more):
            data, status = resource.visalib.read(resource.session, min(len(buffer), CHUNK_BYTES))
            buffer[: len(data)] = data
            return len(data), status != more

    def unread(self) -> bool:
        """Message-based transports keep no bytes that were not asked for."""
        return False

    def clear(self, deadline: float) -> bool:
        """See `Link`."""
        try:
            with self._limited(deadline):
                self._resource.clear()
        except _NotOfferedError:
            return False
        return True

    def kill(self) -> None:
        """The library has no way to interrupt a call; closing is all that is left."""
        self.close()

    def close(self) -> None:
        """See `Link`."""
        release, self._release = self._release, None
        if release is not None:
            release()

    @contextlib.contextmanager
    def _limited(self, deadline: float) -> Any:
        from pyvisa import errors
        from pyvisa.constants import StatusCode

        try:
            self._resource.timeout = max(1, round(1000 * remaining(deadline)))
            yield
        except errors.VisaIOError as exc:
            if exc.error_code == StatusCode.error_timeout:
                raise LinkTimeout("no answer in time") from exc
            raise LinkClosed(exc.description) from exc
        except NotImplementedError as exc:
            raise _NotOfferedError("the VISA library does not offer this") from exc
        except OSError as exc:
            raise LinkClosed(exc.strerror or str(exc)) from exc
        except (ValueError, TypeError, AttributeError, RuntimeError, KeyError) as exc:
            # Back ends raise whatever their own libraries raise when a device goes away.
            raise LinkClosed(f"{type(exc).__name__}: {exc}") from exc
