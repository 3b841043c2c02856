"""Writing a checksum list of a folder, whole or not at all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from msgspec import Struct

from mediashelf.errors import InputError, OutputError
from mediashelf.files import PARTIAL_MARK, whole_output
from mediashelf.findings import Finding, Severity
from mediashelf.formats.lists.values import ListForm, format_checksum_line
from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.integrity.lists.folder_files import FolderFiles, list_folder


class WrittenList(Struct, frozen=True):
    """What a new list holds; ``findings`` name the files and folders that it does not hold."""

    path: Path
    algorithm: str
    form: ListForm
    file_count: int
    size: int
    findings: tuple[Finding, ...]


def write_list(
    folder: Path | FolderFiles,
    output: Path,
    *,
    algorithm: str = "sha256",
    form: ListForm = ListForm.PLAIN,
    replace: bool = False,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> WrittenList:
    """Write a line for every regular file below ``folder`` to ``output``.

    Names are relative to the folder with ``/``, in the order of their bytes, so
    that the same files give the same list anywhere. The output itself is left
    out. A file that cannot be read, or whose name the form cannot hold, is a
    finding. Raises ``ValueError`` when the form does not hold the algorithm,
    :class:`OutputError` when the list cannot be written, exists already and
    ``replace`` is False, or would stand in a folder below, where a list names
    files beside itself.
    """
    format_checksum_line("name", "0", algorithm, form)  # refuses before anything is read
    files = folder if isinstance(folder, FolderFiles) else list_folder(folder)
    parent = output.resolve().parent
    if parent != files.folder and parent.is_relative_to(files.folder):
        raise OutputError(
            f"{output}: its names would be read relative to {parent}; write it to "
            f"{files.folder} itself or to a place outside"
        )
    findings = list(files.findings)
    file_count = size = 0
    with whole_output(output, replace=replace) as temporary, temporary.open("wb") as stream:
        for name in files.sizes:
            path = files.path(name)
            if name.endswith(PARTIAL_MARK) or path == output.resolve():
                continue
            try:
                # The name first: no need to read what cannot be listed.
                format_checksum_line(name, "0", algorithm, form)
                digests = digest_file(
                    path, algorithms=(algorithm,), block_size=0, on_bytes=on_bytes
                )
            except (ValueError, InputError) as error:
                findings.append(_left_out(name, str(error)))
                continue
            line = format_checksum_line(name, digests.whole[algorithm], algorithm, form)
            stream.write(line.encode("utf-8", "surrogateescape"))
            file_count += 1
            size += digests.size
    return WrittenList(output, algorithm, form, file_count, size, tuple(findings))


def _left_out(name: str, reason: str) -> Finding:
    return Finding(
        rule="file-is-in-the-list",
        severity=Severity.ERROR,
        where=name,
        message=f"was left out of the list: {reason}",
        remedy="fix this and write the list again; the list is not complete",
    )
