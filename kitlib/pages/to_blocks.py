"""Old blocks as new ones, for sections that are not written anew yet; goes with them."""

from dataclasses import dataclass
from functools import cached_property
from io import BytesIO

import pandas as pd
from matplotlib.figure import Figure
from PIL import Image

from kitlib.pages import blocks as old
from kitlib.pages.looks import as_png
from kitlib.reports import blocks as new
from kitlib.words.terms import Column


@dataclass(frozen=True, eq=False)
class OldTable(new.Table):
    """A table that brings its columns along."""

    of: object = None

    @cached_property
    def columns(self) -> list[tuple[Column, list[str]]]:
        """Its columns and cells."""
        cells = list(zip(*self.of.rows, strict=True)) or [()] * len(self.of.columns)
        return [
            (Column("", c.label, c.label, c.unit, 2 if c.number else None), list(each))
            for c, each in zip(self.of.columns, cells, strict=True)
        ]


@dataclass(frozen=True, eq=False)
class OldPicture(new.Picture):
    """A picture that is drawn as SVG."""

    svg: bytes = b""

    @cached_property
    def png(self) -> bytes:
        """The picture."""
        return as_png([self.svg])

    def parts(self) -> dict:
        """Return it for the template."""
        with Image.open(BytesIO(self.png)) as image:
            width, height = image.size
        size = {"width": width / 144, "height": height / 144}
        return {"block": "Picture", "caption": self.caption, "alt": self.alt} | {
            "file": self.file,
            **size,
        }

    def html(self, number: int = 0) -> str:
        """Return it as HTML."""
        return super().html(number)


def to_blocks(blocks) -> list[new.Block]:
    """Return old blocks as new ones."""
    return [_to_block(block) for block in blocks]


def _to_block(block) -> new.Block:
    """Return one."""
    match block:
        case old.Heading():
            return new.Heading(block.text, block.level)
        case old.Paragraph():
            return new.Paragraph(block.text)
        case old.Note():
            return new.Paragraph(block.text, small=True)
        case old.Table():
            rows = pd.DataFrame(list(block.rows))
            return OldTable(block.caption, rows, "", block.note, of=block)
        case old.Picture():
            figure = Figure(figsize=(3.24, 2))
            return OldPicture(figure, block.caption, block.alt, svg=block.svg)
        case old.SideBySide():
            return new.SideBySide(_to_block(block.left), _to_block(block.right))
        case _:
            return block
