"""The command line of the virtual bench."""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import signal
import stat
import sys
from pathlib import Path

from .practice import bench_text, write_atomically, write_bench

EPILOG = """example:
  python -m greystep.sim_instruments --panel vireth-10x --bench-file practice/bench.toml

Then, in another terminal: greystep --home practice serve. Instruments are SCPI servers on TCP; any VISA client can
talk to them by the resource names that are printed when they listen.
"""
ROLES = ("digitiser", "pattern", "luminance", "power", "temperature", "side-door")


def parser() -> argparse.ArgumentParser:
    """Options of the virtual bench."""
    made = argparse.ArgumentParser(
        prog="python -m greystep.sim_instruments",
        description="A virtual bench: an invented display behind real SCPI instruments on TCP.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    made.add_argument("--list", action="store_true", help="list the displays and exit")
    made.add_argument("--panel", default="vireth-10x", metavar="NAME", help="display on the bench (default: %(default)s)")
    speed = "simulated seconds a second; 'max': jump to what a client waits for; 'step': only jump (default: %(default)s)"
    made.add_argument("--speed", default="1", metavar="X", help=speed)
    made.add_argument("--seed", type=int, default=1, help="seed of all noise (default: %(default)s)")
    made.add_argument("--host", default="127.0.0.1", help="address to listen on (default: %(default)s)")
    for role in ROLES:
        made.add_argument(f"--{role}-port", type=int, default=0, metavar="N", help="port, 0 for any free one")
    made.add_argument("--noise-mv", type=float, default=0.15, metavar="MV", help="sensor noise, mV rms (default: %(default)s)")
    made.add_argument(
        "--bandwidth-khz", type=float, default=100.0, metavar="KHZ", help="sensor bandwidth (default: %(default)s)"
    )
    made.add_argument("--sensor-poles", type=int, choices=(1, 2), default=1, help="poles of the sensor (default: %(default)s)")
    made.add_argument("--room-c", type=float, default=23.0, metavar="C", help="room temperature, deg C (default: %(default)s)")
    made.add_argument("--ready-file", type=Path, metavar="FILE", help="write the resource names here when listening (JSON)")
    made.add_argument("--bench-file", type=Path, metavar="FILE", help="write a bench.toml for these instruments when listening")
    made.add_argument("--bench-name", default="virtual bench", metavar="NAME", help="name in it (default: %(default)s)")
    made.add_argument("--parent-pid", type=int, metavar="PID", help="end when this process is gone")
    made.add_argument("--until-stdin-closes", action="store_true", help="end when standard input is closed")
    return made


def main(arguments: list[str] | None = None) -> int:
    """Run the bench until it is told to stop. Exit code 0, 1 for a port that can't be opened, 2 for wrong use."""
    options = parser().parse_args(arguments)
    if options.list:
        return _list()
    try:
        return asyncio.run(_run(options))
    except KeyboardInterrupt:
        return 0
    except (ValueError, KeyError) as error:
        print(f"virtual bench: {error.args[0]}", file=sys.stderr)
        return 2
    except OSError as error:
        print(f"virtual bench: {error}", file=sys.stderr)
        return 1


def _list() -> int:
    from .panel.catalogue import PANELS

    for spec in PANELS:
        print(f"{spec.name:14} {spec.maker} {spec.model}, {spec.technology}: {spec.story}")
    return 0


async def _run(options: argparse.Namespace) -> int:
    from .bench import Bench, BenchOptions
    from .sensor import Photosensor

    if options.until_stdin_closes and stat.S_ISREG(os.fstat(sys.stdin.fileno()).st_mode):
        raise ValueError("--until-stdin-closes needs a pipe on standard input, not a file")

    ports = {role.replace("-", "_"): getattr(options, f"{role.replace('-', '_')}_port") for role in ROLES}
    speed = options.speed if options.speed in ("max", "step") else float(options.speed)
    sensor = Photosensor(noise_v=options.noise_mv * 1e-3, bandwidth_hz=options.bandwidth_khz * 1e3, poles=options.sensor_poles)
    bench = Bench(BenchOptions(options.panel, speed, options.seed, options.host, ports, sensor, options.room_c))
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, bench.stopping.set)
    announcement = json.dumps({**await bench.start(), "pid": os.getpid()})
    if options.bench_file is not None:
        write_bench(options.bench_file, bench_text(options.bench_name, sensor.bandwidth_hz, bench.resources))
    if options.ready_file is not None:
        write_atomically(options.ready_file, announcement + "\n")
    print(announcement, flush=True)
    guards = [loop.create_task(_outlive(options.parent_pid, bench.stopping))] if options.parent_pid else []
    if options.until_stdin_closes:
        guards.append(loop.create_task(_until_stdin_closes(bench.stopping)))
    await bench.run()
    for guard in guards:
        guard.cancel()
    await bench.close()
    return 0


async def _outlive(parent_pid: int, stopping: asyncio.Event) -> None:
    """Set `stopping` when the process is gone."""
    while True:
        try:
            os.kill(parent_pid, 0)
        except ProcessLookupError:
            stopping.set()
            return
        except PermissionError:
            pass  # It exists and belongs to somebody else.
        await asyncio.sleep(0.2)


async def _until_stdin_closes(stopping: asyncio.Event) -> None:
    """Set `stopping` at the end of standard input."""
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    while await reader.read(4096):
        pass
    stopping.set()
