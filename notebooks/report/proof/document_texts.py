"""What a report's document says and how: texts in their order, marks that hide or strike them, every part of the file.

A text can be put into a document where paragraphs and tables do not show it: as a tracked change, in a content control,
in a header, a comment or a footnote; and one that is there can be hidden or struck out. So the markup of each block is
read beside its text, and of every other part of the file its digest. The document is taken apart as data.
"""

import hashlib
import zipfile
from collections.abc import Iterator
from pathlib import Path

from docx import Document
from docx.oxml.ns import qn
from lxml import etree

from notebooks.report.proof.file_hashes import file_digest
from outcomes.reading.archives import check_workbook

PICTURE = "[Figure: "  # as a document says it where it holds none
BODY, TYPES, LINKS = "word/document.xml", "[Content_Types].xml", "word/_rels/document.xml.rels"
IMAGE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships/image"
SHAPES = ("png", "jpeg")  # kinds of pictures a document may hold
Item = tuple[str, object]


def document_items(path: Path) -> Iterator[Item]:
    """Texts, marks and parts, each with where it stands. What depends on whether pictures are there begins like one."""
    check_workbook(path, path.name)  # the same container, and the same limits
    document = Document(str(path))
    pictures = {file_digest(one): one.name for one in sorted((path.parent / "figures").glob("*.png"))}
    heading = "top"
    for block in document.element.body:
        if block.tag == qn("w:tbl"):
            for cell in block.iter_tcs():
                yield (f"document, {heading}, table", _text(cell))
            yield from ((f"document, {heading}, marks of the table", _marks(part)) for part in block)
            continue
        text = _text(block)
        pictured = [one.get(qn("r:embed"), "") for one in block.iter(qn("a:blip"))]
        for place in pictured:
            digest = hashlib.sha256(document.part.related_parts[place].blob).hexdigest()
            yield (f"document, {heading}", f"{PICTURE}{pictures.get(digest, 'none of this report')}]")
        if text.strip():
            if block.tag == qn("w:p") and (block.style or "").startswith(("Heading", "Title")):
                heading = text
            yield (f"document, {heading}", text)
        # One that is a picture here and stands as its title there has other marks, and that is no edit.
        instead = PICTURE if pictured or text.startswith(PICTURE) else ""
        yield (f"document, {heading}, marks", instead + _marks(block))
    yield from _parts(path)


def _text(block) -> str:
    return etree.tostring(block, method="text", encoding="unicode", with_tail=False)


def _marks(block) -> str:
    """The tags of a block and what they say, without its texts."""
    told = []
    for event, element in etree.iterwalk(block, events=("start", "end", "comment", "pi")):
        if event in ("comment", "pi"):
            told.append(f"<!{element.text}>")
            continue
        name = etree.QName(element).localname
        said = "".join(f" {etree.QName(key).localname}={value!r}" for key, value in sorted(element.attrib.items()))
        told.append(f"<{name}{said}>" if event == "start" else f"</{name}>")
    return "".join(told)


def _parts(path: Path) -> Iterator[Item]:
    """Every other part by its digest; pictures stand where they are shown, and lists of parts are read without them."""
    with zipfile.ZipFile(path) as file:
        for name in sorted(one.filename for one in file.infolist()):
            if name == BODY or name.startswith("word/media/"):
                continue
            content = file.read(name)
            if name in (TYPES, LINKS):
                yield from ((f"document, {name}", _marks(one)) for one in _listed(content))
            else:
                yield (f"document, part {name}", f"{name}, SHA-256 {hashlib.sha256(content).hexdigest()}")


def _listed(content: bytes) -> list:
    """Kinds of parts and links to them, but those of pictures."""
    found = etree.fromstring(content, etree.XMLParser(resolve_entities=False, no_network=True))
    # Links to a page elsewhere are kept, whatever they call themselves.
    return [
        one for one in found
        if one.get("Extension") not in SHAPES
        and (one.get("Type") != IMAGE or one.get("TargetMode") == "External")
    ]  # fmt: skip
