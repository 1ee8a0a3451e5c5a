"""Time at the bench: a whole run against what the display has to hold, and captures one after another from wire to disk."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from greystep.daemon.archive.archive import Archive
from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.daemon.run import planned
from greystep.daemon.run.parts import RunnerParts
from greystep.daemon.run.runner import Runner
from greystep.daemon.run.spool import load_plan
from greystep.daemon.run.writing import ArchiveWriter
from greystep.schema.capture import Capture
from greystep.schema.ids import IdSource
from greystep.schema.plan import Plan
from greystep.sim_instruments.testing import VirtualBench

from . import plain
from .row import Row
from .scene import captures
from .wire_rows import Server, session_to

PLAN = """
name = "A run in real time"
flash_acknowledged = true
[dut]
model = "Viewer One"
[[condition]]
refresh_rate_hz = 144.0
[levels]
step = [0, 64, 128, 192, 255]
steady = [0, 64, 128, 192, 255]
[capture]
repeats = 5
hold_s = 0.25
sample_rate_hz = 100e3
"""
CAPTURES = 20


def rows(root: Path) -> list[Row]:
    """Wall time of a run, and wire to archive."""
    return [_wall_time(root / "wall"), _wire_to_archive(root / "stream")]


def _wall_time(root: Path) -> Row:
    """A run by the runner itself: opening, ranges, meter readings, archive and all."""
    home = Home(root).create()
    run = IdSource().new()
    (home.runs / run).mkdir()
    (home.runs / run / "plan.toml").write_text(PLAN)
    with VirtualBench(panel="vireth-10x", speed=1, seed=3) as bench:
        resources = bench.resources.items()
        home.bench_file.write_text("".join(f'[instruments.{r}]\ndriver = "scpi-{r}"\nresource = "{a}"\n' for r, a in resources))
        archive = Archive(home.raw)
        runner = Runner(RunnerParts(home, PluginHost.load(), archive, IdSource()), run)
        began = time.perf_counter()
        state = runner.execute()
        ours = time.perf_counter() - began
    if state != "finished":
        raise RuntimeError(f"the run ended as {state}: {runner.status.reason}")
    held = _holds_s(load_plan(home.runs / run).plan)
    return Row(
        "acquisition wall time of a run in real time: 5 steady levels, 10 pairs, opening and closing the bench",
        "s",
        ours,
        limit=held,
        limit_is="holds and settling alone",
        goal="at most 1.05 of the limit",
        met=ours <= 1.05 * held,
        note=f"{ours / held:.3f} of the limit; about 0.5 s opens the bench once",
        lower_is_better=True,
    )


def _holds_s(plan: Plan) -> float:
    """What the display must hold: each capture's settling time as planned, and the counted holds. No rounding up to whole holds
    for levels that were never seen: they settle while their range is sought."""
    settle_s = plan.capture.hold_s if plan.capture.settle_s is None else plan.capture.settle_s
    steady_s = settle_s + planned.STEADY_SEGMENTS * planned.steady_dwell_s(plan)
    return len(plan.levels.steady_levels()) * steady_s + len(plan.levels.step_pairs()) * planned.step_s(plan)


def _wire_to_archive(root: Path) -> Row:
    """Captures of 2 MB one after another: the next is fetched while the last is packed and made durable."""
    (root / "raw").mkdir(parents=True)
    ids = IdSource()
    model = next(c for c in captures(ids, ids.new(), 50_000) if c.meta.kind == "step")
    codes = model.channels["light"].codes
    server = Server(codes.tobytes())
    Archive(root / "raw").write(model)  # loads the libraries, once a process
    try:
        resource = f"TCPIP0::127.0.0.1::{server.port}::SOCKET"
        size_mb = CAPTURES * codes.nbytes / 1e6
        ours, script, bare = (
            size_mb / _took_s(job)
            for job in (
                lambda: _ours(root, resource, model, ids),
                lambda: _script(root, resource, model),
                lambda: _bare(root, server, codes.nbytes),
            )
        )
    finally:
        server.listener.close()
    return Row(
        f"wire to archive, {CAPTURES} captures of {codes.nbytes / 1e6:.0f} MB one after another",
        "MB/s",
        ours,
        script,
        bare,
        "bare socket to a plain file + fsync, nothing packed or checked",
        goal="1.5 times the limit's time (packed)",
        met=ours >= bare / 1.5,
        note="limited by packing, which shares the cores with the wire's two ends; the wire itself is hidden behind it",
    )


def _took_s(job: Callable[[], None]) -> float:
    began = time.perf_counter()
    job()
    return time.perf_counter() - began


def _ours(root: Path, resource: str, model: Capture, ids: IdSource) -> None:
    light = model.channels["light"]
    writer = ArchiveWriter(Archive(root / "raw"), lambda _capture, _header: None, lambda _reason: False)
    with session_to(resource) as session:
        for number in range(CAPTURES):
            block = session.query_block("DATA?", expected=light.codes.nbytes)
            codes = np.frombuffer(block, "<i2").reshape(light.codes.shape)
            meta = model.meta.model_copy(update={"id": ids.new(), "key": f"c01-step-{number:03d}"})
            writer.put(replace(model, meta=meta, channels={"light": replace(light, codes=codes)}))
    writer.close()


def _script(root: Path, resource: str, model: Capture) -> None:
    import pyvisa

    light = model.channels["light"]
    manager = pyvisa.ResourceManager("@py")
    handle = manager.open_resource(resource, read_termination="\n", write_termination="\n", timeout=120_000)
    try:
        for number in range(CAPTURES):
            codes = handle.query_binary_values("DATA?", "h", container=np.array).astype(np.int16)
            taken = replace(light, codes=codes.reshape(light.codes.shape))
            plain.write(replace(model, channels={"light": taken}), root / f"script-{number}.h5")
    finally:
        handle.close()
        manager.close()


def _bare(root: Path, server: Server, size: int) -> None:
    buffer = bytearray(len(server.reply))
    with socket.create_connection(("127.0.0.1", server.port)) as sock:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
        for number in range(CAPTURES):
            sock.sendall(b"DATA?\n")
            view = memoryview(buffer)
            while view:
                view = view[sock.recv_into(view) :]
            with (root / f"bare-{number}").open("wb") as stream:
                stream.write(memoryview(buffer)[-size - 1 : -1])
                stream.flush()
                os.fsync(stream.fileno())
