"""Cells for other work: measured cells graded, and put together to packs whose groups are alike."""
