"""What VISA can see from here, and what is missing to see or use more. Nothing is opened for longer than it takes to look."""

from __future__ import annotations

import importlib.util
import os
import sys
import time
import warnings
from pathlib import Path
from typing import Final

from greystep.schema.roles import FoundResource

from .owner import OwnerStuck, OwnerThread

LONGEST_S: Final = 15.0
"""The search asks the network; it must end."""
USB_DEVICES: Final = Path("/dev/bus/usb")
TEST_CLASS: Final = ("fe", "03")
"""Interface class and subclass of USBTMC in sysfs."""


def find() -> list[FoundResource]:
    """Resources first, then what is missing."""
    if importlib.util.find_spec("pyvisa") is None or importlib.util.find_spec("pyvisa_py") is None:
        todo = "pip install pyvisa pyvisa-py"
        return [FoundResource("", "VISA", "the VISA library in Python is not installed", todo)]
    owner = OwnerThread("greystep-find")
    try:
        listed = owner.run(_resources, time.monotonic() + LONGEST_S)
    except OwnerStuck:
        listed = [_absent("VISA", f"the search did not end within {LONGEST_S:g} s", "give the addresses by hand")]
    finally:
        owner.stop()
    return [*listed, *_missing()]


def _resources() -> list[FoundResource]:
    import pyvisa

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library warns of optional packages; they are told of in plain words below
        try:
            listed = pyvisa.ResourceManager("@py").list_resources("?*")
        except Exception as exc:  # the library raises what its back ends raise
            return [
                FoundResource(
                    "", "VISA", f"the VISA library can't look for instruments: {exc}", "try again, or give the address by hand"
                )
            ]
    return [_described(str(resource)) for resource in sorted(set(listed))]


def _described(resource: str) -> FoundResource:
    kind = resource.split("::", maxsplit=1)[0].upper()
    if kind.startswith("ASRL"):
        return _serial(resource)
    if kind.startswith("USB"):
        return FoundResource(resource, "USB test and measurement device")
    if kind.startswith("TCPIP"):
        return FoundResource(resource, "network instrument" + (" (HiSLIP)" if "hislip" in resource.lower() else ""))
    return FoundResource(resource, f"instrument on {kind}")


def _serial(resource: str) -> FoundResource:
    path = resource[len("ASRL") :].split("::", maxsplit=1)[0]
    if sys.platform == "win32" or not path.startswith("/"):
        return FoundResource(resource, "serial line")
    if os.access(path, os.R_OK | os.W_OK):
        return FoundResource(resource, f"serial line {path}")
    group = _group_of(path)
    todo = (
        f"sudo usermod -aG {group} $USER, then log in again" if group else f"give yourself read and write permission for {path}"
    )
    return FoundResource(resource, f"serial line {path}", "you have no permission to use it", todo)


def _group_of(path: str) -> str:
    try:
        import grp

        return grp.getgrgid(os.stat(path).st_gid).gr_name
    except (OSError, KeyError, ImportError):
        return ""


def _missing() -> list[FoundResource]:
    found: list[FoundResource] = []
    if importlib.util.find_spec("serial") is None:
        found.append(_absent("serial lines", "the package pyserial is not installed", "pip install pyserial"))
    found += _usb()
    if importlib.util.find_spec("psutil") is None:
        found.append(
            _absent(
                "network instruments", "only the default network is searched, without the package psutil", "pip install psutil"
            )
        )
    if importlib.util.find_spec("zeroconf") is None:
        found.append(
            _absent("HiSLIP instruments", "they can't be searched for without the package zeroconf", "pip install zeroconf")
        )
    plain = "a plain TCP socket can't be searched for: look up the address in the instrument's menu"
    found.append(_absent("socket instruments", plain, "give TCPIP::ADDRESS::PORT::SOCKET in bench.toml"))
    return found


def _usb() -> list[FoundResource]:
    if importlib.util.find_spec("usb") is None:
        return [_absent("USB instruments", "the package pyusb is not installed", "pip install pyusb")]
    if not _has_libusb():
        todo = "install libusb 1.0, on Debian: sudo apt install libusb-1.0-0"
        return [_absent("USB instruments", "the system library libusb is not installed", todo)]
    return [_forbidden(device) for device in _usbtmc_devices() if not os.access(device, os.W_OK)]


def _has_libusb() -> bool:
    import usb.core  # type: ignore[import-not-found]

    try:
        usb.core.find(find_all=True)
    except usb.core.NoBackendError:
        return False
    except Exception:  # a bus that can't be read is another matter
        return True
    return True


def _usbtmc_devices(root: Path = Path("/sys/bus/usb/devices")) -> list[Path]:
    """Device nodes of USB test and measurement devices, from sysfs: it can be read without permission for the device."""
    found = []
    for interface in sorted(root.glob("*/bInterfaceClass")):
        place = interface.parent
        try:
            if (interface.read_text().strip(), (place / "bInterfaceSubClass").read_text().strip()) != TEST_CLASS:
                continue
            device = root / place.name.split(":")[0]
            bus, number = int((device / "busnum").read_text()), int((device / "devnum").read_text())
        except (OSError, ValueError):
            continue
        found.append(USB_DEVICES / f"{bus:03d}" / f"{number:03d}")
    return found


def _forbidden(device: Path) -> FoundResource:
    rule = 'SUBSYSTEM=="usb", ENV{ID_USB_INTERFACES}=="*:fe03??:*", TAG+="uaccess"'
    todo = f"write {rule!r} into /etc/udev/rules.d/70-usbtmc.rules and plug the device in again"
    return FoundResource("", f"USB test and measurement device {device}", "you have no permission to use it", todo)


def _absent(about: str, missing: str, todo: str) -> FoundResource:
    return FoundResource("", about, missing, todo)
