"""What Windows' own SetupAPI says of an INF: a witness where it runs, under Wine too.

The driver search (SetupDiBuildDriverInfoList), the best of what it finds
(SetupDiSelectBestCompatDrv), an install section with its suffix
(SetupDiGetActualSectionToInstall), and the files that a section queues.
"""

from __future__ import annotations

import ctypes
import sys
from ctypes import wintypes
from pathlib import Path
from typing import NamedTuple

assert sys.platform == "win32"

_POINTER = ctypes.c_void_p
_BAD = ctypes.c_void_p(-1).value
_SCANNED = (0x14, 0x18)  # SPFILENOTIFY_QUEUESCAN_EX and its signed form
_SCAN = 0x8  # SPQ_SCAN_USE_CALLBACKEX
_INF_STYLE_WIN4 = 2
_COMPATIBLE = 2  # SPDIT_COMPATDRIVER
_SINGLE_INF = 0x00010000  # DI_ENUMSINGLEINF
_HARDWARE_IDS, _COMPATIBLE_IDS = 1, 2  # SPDRP_…
_GENERATE_ID = 1  # DICD_GENERATE_ID


class _Guid(ctypes.Structure):
    _fields_ = (
        ("first", wintypes.DWORD),
        ("second", wintypes.WORD),
        ("third", wintypes.WORD),
        ("rest", ctypes.c_ubyte * 8),
    )


class _DeviceInfo(ctypes.Structure):
    _fields_ = (
        ("size", wintypes.DWORD),
        ("guid", _Guid),
        ("instance", wintypes.DWORD),
        ("reserved", ctypes.c_size_t),
    )


class _InstallParameters(ctypes.Structure):
    _fields_ = (
        ("size", wintypes.DWORD),
        ("flags", wintypes.DWORD),
        ("flags_ex", wintypes.DWORD),
        ("window", _POINTER),
        ("handler", _POINTER),
        ("context", _POINTER),
        ("queue", _POINTER),
        ("class_reserved", ctypes.c_size_t),
        ("reserved", wintypes.DWORD),
        ("path", wintypes.WCHAR * 260),
    )


class _DriverInfo(ctypes.Structure):
    _fields_ = (
        ("size", wintypes.DWORD),
        ("kind", wintypes.DWORD),
        ("reserved", ctypes.c_size_t),
        ("description", wintypes.WCHAR * 256),
        ("maker", wintypes.WCHAR * 256),
        ("provider", wintypes.WCHAR * 256),
        ("date", wintypes.FILETIME),
        ("version", ctypes.c_ulonglong),
    )


class _DriverDetail(ctypes.Structure):
    _fields_ = (
        ("size", wintypes.DWORD),
        ("date", wintypes.FILETIME),
        ("ids_offset", wintypes.DWORD),
        ("ids_length", wintypes.DWORD),
        ("reserved", ctypes.c_size_t),
        ("section", wintypes.WCHAR * 256),
        ("inf", wintypes.WCHAR * 260),
        ("description", wintypes.WCHAR * 256),
        ("hardware_id", wintypes.WCHAR * 1),
    )


class _FilePaths(ctypes.Structure):
    _fields_ = (
        ("target", wintypes.LPCWSTR),
        ("source", wintypes.LPCWSTR),
        ("error", wintypes.UINT),
        ("flags", wintypes.DWORD),
    )


class FoundDriver(NamedTuple):
    """One driver that the search finds: its description, and section before any suffix."""

    description: str
    section: str


def _api() -> ctypes.WinDLL:
    api = ctypes.WinDLL("setupapi", use_last_error=True)
    for name in ("SetupOpenInfFileW", "SetupOpenFileQueue", "SetupDiCreateDeviceInfoList"):
        getattr(api, name).restype = _POINTER
    return api


def _opened(api: ctypes.WinDLL, path: Path) -> ctypes.c_void_p:
    inf = api.SetupOpenInfFileW(str(path), None, _INF_STYLE_WIN4, None)
    assert inf not in (None, _BAD), ctypes.get_last_error()
    return _POINTER(inf)


def search(path: Path, hardware: list[str], compatible: list[str] = []) -> list[FoundDriver]:  # noqa: B006
    """Return the drivers of one INF for a device with these ids; the best one comes first."""
    api = _api()
    devices = _POINTER(api.SetupDiCreateDeviceInfoList(None, None))
    device = _DeviceInfo(size=ctypes.sizeof(_DeviceInfo))
    made = api.SetupDiCreateDeviceInfoW(
        devices, "MEDIASHELF", ctypes.byref(_Guid()), None, None, _GENERATE_ID, ctypes.byref(device)
    )
    assert made, ctypes.get_last_error()
    for kind, ids in ((_HARDWARE_IDS, hardware), (_COMPATIBLE_IDS, compatible)):
        if ids:
            data = ("\0".join(ids) + "\0\0").encode("utf-16-le")
            api.SetupDiSetDeviceRegistryPropertyW(
                devices, ctypes.byref(device), kind, data, len(data)
            )
    wanted = _InstallParameters(size=ctypes.sizeof(_InstallParameters))
    api.SetupDiGetDeviceInstallParamsW(devices, ctypes.byref(device), ctypes.byref(wanted))
    wanted.flags |= _SINGLE_INF
    wanted.path = str(path)
    api.SetupDiSetDeviceInstallParamsW(devices, ctypes.byref(device), ctypes.byref(wanted))
    found = []
    if api.SetupDiBuildDriverInfoList(devices, ctypes.byref(device), _COMPATIBLE):
        found = list(_listed(api, devices, device))
        if api.SetupDiSelectBestCompatDrv(devices, ctypes.byref(device)):
            best = _DriverInfo(size=ctypes.sizeof(_DriverInfo))
            api.SetupDiGetSelectedDriverW(devices, ctypes.byref(device), ctypes.byref(best))
            found.sort(key=lambda one: one != _with_section(api, devices, device, best))
    api.SetupDiDeleteDeviceInfo(devices, ctypes.byref(device))
    api.SetupDiDestroyDeviceInfoList(devices)
    return found


def _listed(api: ctypes.WinDLL, devices: ctypes.c_void_p, device: _DeviceInfo) -> list[FoundDriver]:
    found = []
    for index in range(100):
        driver = _DriverInfo(size=ctypes.sizeof(_DriverInfo))
        if not api.SetupDiEnumDriverInfoW(
            devices, ctypes.byref(device), _COMPATIBLE, index, ctypes.byref(driver)
        ):
            break
        found.append(_with_section(api, devices, device, driver))
    return found


def _with_section(
    api: ctypes.WinDLL, devices: ctypes.c_void_p, device: _DeviceInfo, driver: _DriverInfo
) -> FoundDriver:
    room = ctypes.create_string_buffer(8192)
    detail = _DriverDetail.from_buffer(room)
    detail.size = ctypes.sizeof(_DriverDetail)
    # What does not fit is no error of the parts that are asked for here.
    api.SetupDiGetDriverInfoDetailW(
        devices, ctypes.byref(device), ctypes.byref(driver), room, len(room), None
    )
    return FoundDriver(driver.description, detail.section)


def section_with_suffix(path: Path, section: str) -> str:
    """Return the install section that SetupAPI takes for a name: with the closest suffix."""
    api = _api()
    inf = _opened(api, path)
    name = ctypes.create_unicode_buffer(300)
    found = api.SetupDiGetActualSectionToInstallW(inf, section, name, 300, None, None)
    api.SetupCloseInfFile(inf)
    return name.value if found else ""


def queued(path: Path, section: str) -> set[str]:
    """Return the sources that SetupAPI queues for one section, below the INF's folder."""
    api = _api()
    inf = _opened(api, path)
    queue = _POINTER(api.SetupOpenFileQueue())
    root = str(path.parent)
    api.SetupInstallFilesFromInfSectionW(inf, None, queue, section, root, 0)
    found: set[str] = set()

    def take(context: int, kind: int, first: int, second: int) -> int:
        if kind in _SCANNED:
            paths = ctypes.cast(first, ctypes.POINTER(_FilePaths)).contents
            found.add(paths.source.removeprefix(root).strip("\\").replace("\\", "/").lower())
        return 0

    callback = ctypes.WINFUNCTYPE(
        wintypes.UINT, _POINTER, wintypes.UINT, ctypes.c_size_t, ctypes.c_size_t
    )(take)
    result = wintypes.DWORD()
    api.SetupScanFileQueueW(queue, _SCAN, None, callback, None, ctypes.byref(result))
    api.SetupCloseFileQueue(queue)
    api.SetupCloseInfFile(inf)
    return found


def source_location(path: Path, file: str) -> tuple[int, str]:
    """Return the disk id of a file and its folder on it (SetupGetSourceFileLocation)."""
    api = _api()
    inf = _opened(api, path)
    disk = wintypes.UINT()
    folder = ctypes.create_unicode_buffer(300)
    found = api.SetupGetSourceFileLocationW(inf, None, file, ctypes.byref(disk), folder, 300, None)
    api.SetupCloseInfFile(inf)
    return (disk.value, folder.value.replace("\\", "/").strip("/").lower()) if found else (-1, "")


class _Context(ctypes.Structure):
    _fields_ = (
        ("inf", _POINTER),
        ("current", _POINTER),
        ("section", wintypes.UINT),
        ("line", wintypes.UINT),
    )


def all_lines(path: Path) -> dict[str, list[list[str]]]:
    """Return the values of every line of every section, by its name in lower case."""
    api = _api()
    inf = _opened(api, path)
    room = ctypes.create_unicode_buffer(8192)
    names = []
    while api.SetupEnumInfSectionsW(inf, len(names), room, 8192, None):
        names.append(room.value)
    found: dict[str, list[list[str]]] = {}
    for name in names:
        lines = found.setdefault(name.lower(), [])
        context = _Context()
        is_there = api.SetupFindFirstLineW(inf, name, None, ctypes.byref(context))
        while is_there:
            values = []
            for index in range(1, api.SetupGetFieldCount(ctypes.byref(context)) + 1):
                api.SetupGetStringFieldW(ctypes.byref(context), index, room, 8192, None)
                values.append(room.value)
            lines.append(values)
            is_there = api.SetupFindNextLine(ctypes.byref(context), ctypes.byref(context))
    api.SetupCloseInfFile(inf)
    return found
