"""What runs in a worker process. Nothing heavy is imported before the process needs it."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from .backend import Batch, Setup
    from .engine import Engine
    from .step import Step

_MARK_BYTES = 480


def make_engine(setup: Setup, announce: Callable[[Step], None] = lambda _: None) -> Engine:
    """The engine of this process with the plugins that are installed here."""
    from pathlib import Path

    from greystep.daemon.archive.archive import Archive
    from greystep.daemon.host import PluginHost

    from .engine import Engine
    from .prepared import PreparedCache

    host = PluginHost.load()
    cache = PreparedCache(Path(setup.prepared), setup.prepared_limit_bytes) if setup.prepared else None
    return Engine(Archive(Path(setup.archive)), host.estimators, host.preparers, cache, announce)


def serve(connection: Any, mark: Any, setup: Setup, factory: Callable[[Setup, Callable[[Step], None]], Engine]) -> None:
    """Take batches from the connection until it closes; the parent's death closes it too.

    Args:
        connection: receives batches, sends back `("done", outcomes)`, `("failed", reason)` or `("broken", reason)`.
        mark: shared memory; holds a counter and what is done now, for the parent to read when this process dies or hangs.
        setup: for the engine.
        factory: makes the engine; `make_engine` but in tests.
    """
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # Several processes share the processors; threads of the numeric libraries would only fight.
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1", NUMBA_NUM_THREADS="1")
    _limit_memory(setup.memory_limit_bytes)
    announce = _announcer(mark)
    try:
        engine = factory(setup, announce)
    except Exception as exc:
        connection.send(("broken", f"{type(exc).__name__}: {exc}"))
        return
    while True:
        try:
            batch = connection.recv()
        except (EOFError, OSError):
            return
        try:
            connection.send(answer(engine, batch))
        except OSError:
            return


def answer(engine: Engine, batch: Batch) -> tuple[str, Any]:
    """`("done", outcomes)`; `("failed", reason)` when something raised that the engine doesn't take as a result;
    `("broken", reason)` when this process can't do such work at all."""
    from greystep.schema.errors import PluginError

    try:
        return "done", tuple(engine.perform(work) for work in batch)
    except PluginError as exc:
        return "broken", str(exc)
    except Exception as exc:
        return "failed", f"{type(exc).__name__}: {exc}"


def _announcer(mark: Any) -> Callable[[Step], None]:
    count = 0

    def announce(step: Step) -> None:
        nonlocal count
        count += 1
        data = "\t".join((step.verb, step.method, step.path)).encode("utf-8", "replace")[:_MARK_BYTES]
        mark[:] = count.to_bytes(8, "little") + len(data).to_bytes(4, "little") + data.ljust(_MARK_BYTES, b"\0")

    return announce


MARK_SIZE = 8 + 4 + _MARK_BYTES


def read_mark(mark: Any) -> tuple[int, Step]:
    """Counter, and what the worker announced last."""
    from .step import Step

    data = bytes(mark[:])
    length = int.from_bytes(data[8:12], "little")
    verb, method, path = (data[12 : 12 + length].decode("utf-8", "replace") if length else "\t\t").split("\t", 2)
    return int.from_bytes(data[:8], "little"), Step(verb, path, method)


def _limit_memory(limit_bytes: int) -> None:
    if limit_bytes <= 0:
        return
    try:
        import resource
    except ImportError:  # Windows
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    wanted = limit_bytes if hard == resource.RLIM_INFINITY else min(limit_bytes, hard)
    if soft == resource.RLIM_INFINITY or soft > wanted:
        resource.setrlimit(resource.RLIMIT_AS, (wanted, hard))
