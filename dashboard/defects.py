"""A defect of the program, met while it did what a page asked for: in words for the page, with its details in the program's own messages."""

from __future__ import annotations

import logging
import secrets

from cycler.errors import InputError
from dashboard import text

_LOGGER = logging.getLogger(__name__)


def in_words(error: Exception) -> InputError:
    """The message for whatever went wrong; what is no :class:`InputError` is logged under the mark that the message names."""
    if isinstance(error, InputError):
        return error
    mark = secrets.token_hex(3)
    _LOGGER.error("defect %s", mark, exc_info=error)
    return InputError(text.DEFECT_WHAT, text.PRODUCT, text.DEFECT_WHY.format(kind=type(error).__name__), text.DEFECT_MEND.format(mark=mark))
