"""SHA-256 of the files that an answer was made from."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

from thermscan.model.errors import InputError
from thermscan.read.text_file import reason_of


def digest_of(paths: Sequence[str]) -> str:
    """Return the SHA-256 of a file in hexadecimal; of several files that of their sorted digests, written in a row.

    Raises
    ------
    InputError
        Where a file cannot be read.
    """
    digests = []
    for path in paths:
        try:
            with open(path, "rb") as file:
                digests.append(hashlib.file_digest(file, "sha256").hexdigest())
        except OSError as error:
            raise InputError(path, "", f"cannot be read: {reason_of(error)}", "check the path") from None
    if len(digests) == 1:
        return digests[0]
    return hashlib.sha256("".join(sorted(digests)).encode()).hexdigest()
