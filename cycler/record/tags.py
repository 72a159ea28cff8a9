"""Structure of the PDF for programs that read it aloud or copy it: title, headings, paragraphs, tables with rows and cells, pictures.

The library draws but does not tag, so the marks are written into the pages by hand (ISO 32000-1, 14.6 to 14.8, from memory). No conformity
with a standard of accessible documents is claimed.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from reportlab.pdfbase.pdfdoc import PDFArray, PDFDictionary, PDFName, PDFString


@dataclass(frozen=True, slots=True)
class Cell:
    """Place of a text in a table: what stands for the table, and the row."""

    table: object
    row: int


@dataclass(frozen=True, slots=True)
class _Mark:
    """Content on a page (from 0) under its number there."""

    role: str
    page: int
    number: int
    cell: Cell | None
    alt: str


class Tags:
    """What a canvas marked, in reading order. ``page`` is the page it draws on, from 0."""

    def __init__(self) -> None:
        self.page = 0
        self._marks: list[_Mark] = []
        self._inside = False

    @contextmanager
    def marked(self, canvas: Any, role: str, cell: Cell | None = None, alt: str = "") -> Iterator[None]:
        """What is drawn within the block is one element; blocks within it belong to it."""
        if self._inside:
            yield
            return
        last = next((mark for mark in reversed(self._marks) if mark.page == self.page), None)
        mark = _Mark(role, self.page, last.number + 1 if last else 0, cell, alt)
        self._marks.append(mark)
        self._inside = True
        canvas._code.append(f"/{role} <</MCID {mark.number}>> BDC")
        try:
            yield
        finally:
            canvas._code.append("EMC")
            self._inside = False

    def write(self, document: Any) -> None:
        """Put the tree into a document whose pages are all there."""
        pages = document.Pages.pages
        root = PDFDictionary({"Type": PDFName("StructTreeRoot")})
        root_ref = document.Reference(root)

        def element(role: str, parent: Any, **more: Any) -> tuple[PDFDictionary, Any]:
            made = PDFDictionary({"Type": PDFName("StructElem"), "S": PDFName(role), "P": parent, **more})
            return made, document.Reference(made)

        whole, whole_ref = element("Document", root_ref)
        whole["K"] = top = PDFArray([])
        by_page = [PDFArray([]) for _ in pages]
        table: Any = None
        row: Any = None
        for mark in self._marks:
            parent, kids = whole_ref, top
            if mark.cell is not None:
                if table is None or table[0] is not mark.cell.table:
                    made, ref = element("Table", whole_ref)
                    made["K"] = rows = PDFArray([])
                    table, row = (mark.cell.table, ref, rows), None
                    top.sequence.append(ref)
                if row is None or row[0] != (mark.page, mark.cell.row):
                    made, ref = element("TR", table[1])
                    made["K"] = cells = PDFArray([])
                    row = ((mark.page, mark.cell.row), ref, cells)
                    table[2].sequence.append(ref)
                parent, kids = row[1], row[2]
            else:
                table = None
            more = {"Alt": PDFString(mark.alt)} if mark.alt else {}
            if mark.role == "TH":
                more["A"] = PDFDictionary({"O": PDFName("Table"), "Scope": PDFName("Column")})
            _, ref = element(mark.role, parent, Pg=document.Reference(pages[mark.page]), K=mark.number, **more)
            kids.sequence.append(ref)
            by_page[mark.page].sequence.append(ref)
        root["K"] = PDFArray([whole_ref])
        root["ParentTree"] = PDFDictionary({"Nums": PDFArray([part for n, refs in enumerate(by_page) for part in (n, refs)])})
        root["ParentTreeNextKey"] = len(by_page)
        for number, page in enumerate(pages):
            page.__NoDefault__ = [*page.__NoDefault__, "StructParents"]
            page.StructParents = number
        document.Catalog.StructTreeRoot = root_ref
        document.Catalog.MarkInfo = PDFDictionary({"Marked": "true"})
