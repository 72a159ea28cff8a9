"""Component ids of the page: where the aids of the bench are found. It has no callbacks, so that it needs none."""

from __future__ import annotations
