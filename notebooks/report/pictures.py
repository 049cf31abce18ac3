"""Figures as files: SVG, PNG and PDF, drawn in a browser while the notebooks still run; only what changed is drawn.

Each figure is plotted once per width, as SVG; the PNG is that SVG on a canvas, the PDF that SVG on a page of its size.
"""

import asyncio
import base64
import hashlib
import io
import json
import os
import re
import tempfile
from collections.abc import Awaitable, Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from threading import Thread
from types import TracebackType

from choreographer import Browser, Tab
from choreographer.browsers.chromium import Chromium
from PIL import Image
from plotly.offline import get_plotlyjs

from notebooks.figures.one_column import exported, in_column
from notebooks.report.kept import Kept, question
from notebooks.report.proof.steady_names import steady_names
from notebooks.report.record import software

FORMATS = ("svg", "png", "pdf")
IN_COLUMN = "_89mm"
DPI = 300
CSS_DPI = 96
COLOURS = 64
LEVEL = 7  # of the compression: the highest takes five times as long for a file a twelfth smaller
LEAN = (
    (re.compile(r' (?:class|data-[a-z]+)="[^"]*"'), ""),
    (
        re.compile(
            r"(?:vector-effect: (?:none|non-scaling-stroke)|pointer-events: \w+|cursor: \w+|(?<![-\w])opacity: 1); ?"
        ),
        "",
    ),
    (re.compile(r' style=""'), ""),
)
TAG = re.compile(r'<([\w:]+)((?: [\w:-]+="[^"]*")+)(/?)>')
ATTRIBUTE = re.compile(r' [\w:-]+="[^"]*"')
PLACE = re.compile(r' (?:d|transform|x|y|width|height)="[^"]*"')  # never the words: a number there is a result
DIGITS = re.compile(r"(\d\.\d{2})\d+")  # hundredths of a pixel are enough
LIMIT_S = 120  # for one picture
END_S = 5  # for the browser to end when a report is stopped
NO_BROWSER = (
    "No picture files were written: they need a Chromium-family browser (Chromium, Chrome, Edge, Brave) and none was "
    "found. The report is whole without one; each figure can be saved from the page with the buttons under it."
)
PAGE = """<!DOCTYPE html><html><head><meta charset="utf-8"><style>html,body{margin:0}svg{display:block}</style></head>
<body><script>PLOTLY</script><script>
async function picture(spec, width, height, scale) {
  const url = await Plotly.toImage(spec, {format: "svg", width: width, height: height});
  const svg = decodeURIComponent(url.slice(url.indexOf(",") + 1));
  document.body.innerHTML = svg;
  if (!scale) { return {svg: svg}; }
  const image = new Image();
  image.src = url;
  await image.decode();
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(width * scale); canvas.height = Math.round(height * scale);
  canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
  return {svg: svg, png: canvas.toDataURL("image/png").split(",")[1]};
}
</script></body></html>"""


def find_browser() -> str | None:
    """Path of a Chromium-family browser; the variable BROWSER_PATH goes first."""
    named = os.environ.get("BROWSER_PATH")
    if named is not None:
        return named if Path(named).is_file() else None
    found = Chromium.find_browser(skip_local=False)
    return str(found) if found else None


def write_figures(
    figures: Mapping[str, dict],
    to: Path,
    formats: Sequence[str] = FORMATS,
    say: Callable[[str], None] = lambda line: None,
) -> list[str]:
    """Write each figure (name -> plotly specification) in each format; the returned lines say what is missing and why.

    Each is written for the whole width of a page (183 mm) and, with `_89mm` in its name, for one column, without title
    and caption: journals set both. A PNG carries 300 dots per inch in its header, so that a page layout gives it the
    size it was drawn for.
    """
    with Pictures(to, formats, say=say) as pictures:
        for name, spec in figures.items():
            pictures.add(name, spec)
    return pictures.missing


class Pictures:
    """Draws figures in the background as they come. At the end of the `with`, all files are there or in `missing`.

    kept: holds the hashes of the files as they were written; a file that still has its hash is not drawn again, one
    that was edited is.
    """

    def __init__(
        self,
        to: Path,
        formats: Sequence[str] = FORMATS,
        kept: Kept | None = None,
        say: Callable[[str], None] = lambda line: None,
    ):
        self._to, self._formats, self._kept, self._say = to, tuple(formats), kept, say
        self._browser = find_browser() if formats else None
        self._running: Browser | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._queue: asyncio.Queue[_Job | None] | None = None
        self._work: Future | None = None
        self._drawn = self._same = 0
        self.missing: list[str] = []

    def __enter__(self) -> "Pictures":
        return self

    def start(self) -> None:
        """Start the browser: the first figure then need not wait for it."""
        if self._browser is not None and self._loop is None:
            self._begin()

    def add(self, name: str, spec: dict) -> None:
        """Draw a figure in both widths and without its title, unless its files are there and are as they were drawn."""
        if not self._formats:
            return
        for part, layout in ((name, spec["layout"]), (f"{name}{IN_COLUMN}", in_column(spec["layout"]))):
            job = {"data": spec["data"], "layout": exported(layout)}
            asked = question("picture", part, json.dumps(job, sort_keys=True), repr(self._formats), repr(software()))
            self._do(_Job(part, asked, tuple(self._files(part)), partial(self._files_of, spec=job)))

    def print(self, page: str, to: Path, how: Callable[[Browser, str], Awaitable[bytes]]) -> None:
        """Print a page to the file `to` in the browser that draws, unless the file is as it was printed before."""
        if not self._formats:
            return

        async def printed(tab: Tab) -> dict[str, bytes]:
            assert self._running is not None
            return {to.suffix[1:]: await how(self._running, page)}

        if not self._do(_Job(to.name, question("printed", page, repr(software())), (to,), printed)):
            self.missing.append(f"{to.name} was not written: {NO_BROWSER.partition(': ')[2]}")

    def _do(self, job: "_Job") -> bool:
        """Have files made, unless they are there as they were made; False where there is no browser to make them."""
        if self._is_there(job):
            self._same += 1
            return True
        for path in job.files:
            path.unlink(missing_ok=True)  # of an earlier report: should drawing fail, none is better than another's
        if self._browser is None:
            return False
        self._put(job)
        return True

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if self._work is not None:
                if kind is None:
                    self._say(f"waiting for the last of {self._drawn} pictures, {self._same} are unchanged")
                    for _ in range(_tabs()):
                        self._put(None)
                    try:
                        self._work.result()
                    except asyncio.CancelledError:
                        self.missing.append("Pictures are missing: the browser ended before all were drawn.")
                else:
                    self._give_up()
        except BaseException:
            self._give_up()
            raise
        if self._formats and self._browser is None:
            self.missing.append(NO_BROWSER)

    def _give_up(self) -> None:
        """Draw nothing more, and end a browser that does not end by itself: whoever stops a report waits for none."""
        if self._loop is None or self._work is None:
            return
        queue = self._queue
        assert queue is not None

        def empty() -> None:
            while not queue.empty():
                queue.get_nowait()
            for _ in range(_tabs()):
                queue.put_nowait(None)

        with suppress(RuntimeError):  # the loop has ended
            self._loop.call_soon_threadsafe(empty)
        with suppress(Exception, asyncio.CancelledError):  # whatever the drawing said, it is not asked for any more
            self._work.result(timeout=END_S)
        started = getattr(self._running, "subprocess", None)
        if started is not None and started.poll() is None:
            started.kill()

    def _run(self, work: Future) -> None:
        assert self._loop is not None
        try:
            work.set_result(self._loop.run_until_complete(self._draw_all()))
        except BaseException as error:  # it is raised where the result is asked for
            work.set_exception(error)

    def _put(self, job: "_Job | None") -> None:
        if self._loop is None:
            self._begin()
        if job is not None:
            self._drawn += 1
        assert self._loop is not None
        assert self._queue is not None
        self._loop.call_soon_threadsafe(self._queue.put_nowait, job)

    def _begin(self) -> None:
        # A loop of its own: a notebook that calls this has one running already.
        self._loop = asyncio.new_event_loop()
        self._queue = asyncio.Queue()
        self._to.mkdir(parents=True, exist_ok=True)
        self._work = Future()
        # A thread that nobody waits for when Python ends: a browser may hang.
        Thread(target=self._run, args=(self._work,), daemon=True).start()

    def _files(self, part: str) -> Iterator[Path]:
        return (self._to / f"{part}.{ending}" for ending in self._formats)

    def _is_there(self, job: "_Job") -> bool:
        if self._kept is None:
            return False
        hashes = self._kept.take(job.asked)
        return hashes is not None and hashes == [_hash(path) for path in job.files]

    async def _draw_all(self) -> None:
        with tempfile.TemporaryDirectory(prefix="outcomes-", ignore_cleanup_errors=True) as scratch:
            page = Path(scratch) / "page.html"
            page.write_text(PAGE.replace("PLOTLY", get_plotlyjs()), encoding="utf-8")
            async with Browser(path=self._browser) as browser:
                self._running = browser
                tabs = [await browser.create_tab(page.as_uri()) for _ in range(_tabs())]
                await asyncio.gather(*(self._draw(tab) for tab in tabs))

    async def _draw(self, tab: Tab) -> None:
        assert self._queue is not None
        await asyncio.wait_for(_loaded(tab), LIMIT_S)
        loop = asyncio.get_running_loop()
        while (job := await self._queue.get()) is not None:
            if self._ended():  # a dead browser gives no answer: waiting for each picture in turn would take hours
                self.missing.append(f"A picture could not be written: {job.name} (the browser ended).")
                continue
            try:
                drawn = await asyncio.wait_for(job.make(tab), LIMIT_S)
                await loop.run_in_executor(None, partial(self._write, job, drawn))
            except (RuntimeError, OSError, TimeoutError) as error:
                self.missing.append(f"A picture could not be written: {job.name} ({error or 'no answer in time'}).")

    def _ended(self) -> bool:
        """Whether the browser's process is gone."""
        started = getattr(self._running, "subprocess", None)
        return started is not None and started.poll() is not None

    async def _files_of(self, tab: Tab, spec: dict) -> dict[str, bytes]:
        width, height = (spec["layout"].get(side, otherwise) for side, otherwise in (("width", 692), ("height", 420)))
        scale = DPI / CSS_DPI if "png" in self._formats else 0
        made = await _evaluate(tab, f"picture({json.dumps(spec)}, {width}, {height}, {scale})")
        drawn = {"svg": lean(made["svg"]).encode()}
        if scale:
            drawn["png"] = base64.b64decode(made["png"])
        if "pdf" in self._formats:
            sides = {"paperWidth": width / CSS_DPI, "paperHeight": height / CSS_DPI}
            margins = dict.fromkeys(("marginTop", "marginBottom", "marginLeft", "marginRight"), 0)
            told = {"printBackground": True, "pageRanges": "1"}
            printed = await tab.send_command("Page.printToPDF", params=told | sides | margins)
            drawn["pdf"] = base64.b64decode(_result(printed)["data"])
        return drawn

    def _write(self, job: "_Job", drawn: dict[str, bytes]) -> None:
        if "png" in drawn:
            drawn["png"] = _with_resolution(drawn["png"])
        hashes = []
        for path in job.files:
            body = drawn[path.suffix[1:]]
            path.write_bytes(body)
            hashes.append(hashlib.sha256(body).hexdigest())
        if self._kept is not None:
            self._kept.keep(job.asked, hashes)


@dataclass(frozen=True)
class _Job:
    """What a tab makes: its name, the question it is kept under, the files, and how their bytes are made."""

    name: str
    asked: str
    files: tuple[Path, ...]
    make: Callable[[Tab], Awaitable[dict[str, bytes]]]


def _tabs() -> int:
    return min(os.cpu_count() or 1, 4)


async def _loaded(tab: Tab) -> None:
    """Wait until the page of a tab can draw."""
    for _ in range(LIMIT_S * 20):
        if await _evaluate(tab, "typeof picture"):
            return
        await asyncio.sleep(0.05)
    raise RuntimeError("the browser did not load the page for the pictures")


async def _evaluate(tab: Tab, expression: str):
    told = {"expression": expression, "awaitPromise": True, "returnByValue": True}
    answer = _result(await tab.send_command("Runtime.evaluate", params=told))
    if "exceptionDetails" in answer:
        raise RuntimeError(answer["exceptionDetails"].get("exception", {}).get("description", "error in the browser"))
    value = answer["result"].get("value")
    return None if value == "undefined" else value


def _result(answer: Mapping) -> dict:
    if "error" in answer:
        raise RuntimeError(str(answer["error"].get("message", answer["error"])))
    return answer["result"]


def lean(svg: str) -> str:
    """The SVG without what only the page it was drawn in needs: a fifth smaller, and the same picture.

    The attributes of a tag are put in one order: which of them is set first hangs on the moment a legend is drawn at.
    """
    for pattern, instead in LEAN:
        svg = pattern.sub(instead, svg)
    svg = TAG.sub(lambda tag: f"<{tag[1]}{''.join(sorted(ATTRIBUTE.findall(tag[2])))}{tag[3]}>", svg)
    return steady_names(PLACE.sub(lambda found: DIGITS.sub(r"\1", found[0]), svg))


def _with_resolution(picture: bytes) -> bytes:
    """The PNG with its resolution, in a palette of its own: a figure has few colours, and is a third of the size."""
    written = io.BytesIO()
    with Image.open(io.BytesIO(picture)) as image:
        flat = image.convert("RGB").quantize(COLOURS, Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
        flat.save(written, "PNG", dpi=(DPI, DPI), compress_level=LEVEL)
    return written.getvalue()


def _hash(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""
