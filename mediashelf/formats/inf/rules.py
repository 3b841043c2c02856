"""The table of rules for INF texts: severity, wording, remedy and the page each comes from."""

from __future__ import annotations

from typing import NamedTuple

from mediashelf.findings import Severity


def driver_page(title: str) -> str:
    """Return the source of a rule that a page of the published documentation states."""
    return f"Microsoft driver documentation, {title}"


_SYNTAX = driver_page("General Syntax Rules for INF Files")
_GUIDELINES = driver_page("General Guidelines for INF Files")
_VERSION = driver_page("INF Version section")
_DRIVER_VER = driver_page("INF DriverVer directive")
_MANUFACTURER = driver_page("INF Manufacturer section")
_MODELS = driver_page("INF Models section")
_COPY_FILES = driver_page("INF CopyFiles directive")
_ADD_REG = driver_page("INF AddReg directive")
_ADD_SERVICE = driver_page("INF AddService directive")
_DESTINATION_DIRS = driver_page("INF DestinationDirs section")
_SOURCE_DISKS_FILES = driver_page("INF SourceDisksFiles section")
_SOURCE_DISKS_NAMES = driver_page("INF SourceDisksNames section")
_STRINGS = driver_page("INF Strings section")


Found = tuple[str, int, str]
"""A rule, the line (0 for the whole text), and what was found there."""


class InfRule(NamedTuple):
    """A row of the table: how bad, what to say (``{}`` is what was found), what to do, source."""

    severity: Severity
    message: str
    remedy: str
    source: str


def _error(message: str, remedy: str, source: str) -> InfRule:
    return InfRule(Severity.ERROR, message, remedy, source)


def _warning(message: str, remedy: str, source: str) -> InfRule:
    return InfRule(Severity.WARNING, message, remedy, source)


def _note(message: str, remedy: str, source: str) -> InfRule:
    return InfRule(Severity.NOTE, message, remedy, source)


RULES = {
    # The text.
    "undecoded-text": _warning(
        "{} characters are not valid in the encoding",
        "name the code page that the INF was written in with --code-page",
        _GUIDELINES,
    ),
    "utf-8-inf": _warning(
        "the text is UTF-8 with a byte order mark, which INF files may not have",
        "save it in UTF-16 (or plain ASCII for old systems)",
        _GUIDELINES,
    ),
    "utf-16-inf": _note(
        "the text is UTF-16 {}",
        "save it as plain ASCII, or where its characters need it as UTF-16 with a byte order mark "
        "for systems that read that",
        "from memory",
    ),
    "code-page-text": _note(
        "some characters depend on the code page of the system that reads them",
        "nothing to do if only displayed names are affected",
        _GUIDELINES,
    ),
    "zero-bytes": _warning(
        "there are zero bytes in the text ({}), which is read without them; programs leave zeros "
        "where they could not read",
        "get the INF again, or compare it with another copy",
        "own behaviour",
    ),
    "text-after-end": _warning(
        "text after the end-of-text mark (byte 1A) is not read: {}",
        "remove the mark if the text goes on, or get the INF again",
        "own behaviour",
    ),
    "text-before-section": _warning(
        "text before the first section: {}", "remove it or start it with ;", _SYNTAX
    ),
    "text-not-read-on": _warning(
        "reading stopped here: more than {}", "look at the text by hand", "our own limit"
    ),
    "line-cut": _warning(
        "a line has more than 262,144 characters and was cut: {}…",
        "look at the text by hand",
        "our own limit",
    ),
    "strings-cut": _warning(
        "its %strings% would grow beyond the limit for one text; each was cut to {} characters",
        "look at the text by hand",
        "our own limit",
    ),
    "section-not-closed": _warning("A section's name is not closed by ]: {}", "add ]", _SYNTAX),
    "text-after-section": _note("Text after a section's name is not read: {}", "", _SYNTAX),
    "section-name-long": _warning(
        "a section's name has more than 255 characters: {}…", "shorten it", _SYNTAX
    ),
    "section-name-blanks": _warning(
        "blanks inside the brackets are part of a section's name, so nothing finds {}",
        "remove the blanks",
        "no page says so; Wine's SetupAPI (8.0, tried)",
    ),
    "field-long": _warning("A field has more than 4095 characters: {}…", "shorten it", _SYNTAX),
    "quote-not-closed": _warning("A quote is not closed on its line: {}", 'add "', _SYNTAX),
    "continuation-joins-entry": _warning(
        "the line before ends in a backslash outside quotes, so {} is joined to it",
        'put the backslash in quotes, as in "\\"',
        _SYNTAX,
    ),
    "continuation-before-section": _warning(
        "the line ends in a backslash but the next one starts a section: {}",
        'remove the backslash or put it in quotes, as in "\\"',
        _SYNTAX,
    ),
    "continuation-at-end": _warning(
        "the text ends in a continued line: {}", "complete the line", _SYNTAX
    ),
    # [Version].
    "inf-signature": _error(
        "the signature is {}; the INF is not accepted",
        "write $Windows NT$ or $Chicago$, with both dollar signs",
        _VERSION,
    ),
    "signature-windows-95": _note(
        "the signature {} is for 9x systems only", "", "from memory; the documentation lacks it"
    ),
    "class-missing": _warning("Neither Class nor ClassGuid is in [Version]", "add them", _VERSION),
    "class-name-long": _warning(
        "the class name {} has more than 32 characters", "shorten it", _VERSION
    ),
    "driver-version-absent": _note(
        "DriverVer is missing, so any package of equal rank with a date is preferred",
        "",
        _DRIVER_VER,
    ),
    "driver-version-form": _warning(
        "DriverVer is {}; expected mm/dd/yyyy,w.x.y.z; an invalid part counts as 0",
        "correct the date or the version",
        _DRIVER_VER,
    ),
    # Models and install sections.
    "models-section-missing": _error(
        "[Manufacturer] names the models section [{}], which does not exist",
        "add the section; leave it empty if it lists no device",
        _MANUFACTURER,
    ),
    "models-platform-missing": _warning(
        "[Manufacturer] names the models section [{}], which does not exist: the systems "
        "that it is for take no device of this line",
        "add the section; leave it empty if it lists no device",
        _MANUFACTURER,
    ),
    "install-section-missing": _error(
        "a device's install section [{}] does not exist, with any platform suffix",
        "add the section",
        _MODELS,
    ),
    # Files.
    "copy-section-missing": _error(
        "CopyFiles names the section [{}], which does not exist",
        "add the section, or write @name for a single file",
        _COPY_FILES,
    ),
    "registry-section-missing": _warning(
        "AddReg or DelReg names the section [{}], which does not exist",
        "add the section, or remove its name",
        _ADD_REG,
    ),
    "service-section-missing": _warning(
        "AddService names the section [{}], which does not exist, so that service is not set up",
        "add the section",
        _ADD_SERVICE,
    ),
    "copies-inf": _warning(
        "CopyFiles copies {}; an INF file may not be copied",
        "remove it from the list",
        _COPY_FILES,
    ),
    "catalog-is-listed": _warning(
        "the catalog file {} is also listed as a source file",
        "remove it from CopyFiles and SourceDisksFiles",
        _VERSION,
    ),
    "copy-without-destination": _warning(
        "[DestinationDirs] gives no folder for {}",
        "add the section's name or DefaultDestDir",
        _DESTINATION_DIRS,
    ),
    "file-without-source-disk": _warning(
        "{} is copied but is in no SourceDisksFiles section",
        "add it",
        _SOURCE_DISKS_FILES,
    ),
    "source-disk-undefined": _error(
        "{}, which no SourceDisksNames section defines",
        "add the disk id or correct the number",
        _SOURCE_DISKS_NAMES,
    ),
    "duplicate-source-file": _warning(
        "{} is listed twice with different places", "keep one", _SYNTAX
    ),
    "duplicate-source-disk": _warning("Disk {} is defined twice, differently", "keep one", _SYNTAX),
    # Strings.
    "undefined-string": _warning(
        "%{}% is not in [Strings]", "add it or remove the percent signs", _STRINGS
    ),
    "duplicate-string": _warning(
        "the string {} is defined twice, differently", "keep one", _SYNTAX
    ),
    "string-long": _note(
        "the string {} is longer than the 512 characters that systems before 6.0 read",
        "",
        _STRINGS,
    ),
}
