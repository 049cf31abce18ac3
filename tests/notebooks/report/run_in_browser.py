"""What a browser runs of files that hold probes: each is opened by itself, and every call of a probe is counted."""

import json
from collections.abc import Iterator
from pathlib import Path

LISTEN = "window.ran = 0; window.probe = () => { window.ran += 1; };"
# An image without a source, and a handler of a mouse that comes over it: what would wait for a hand is done here.
TOUCH = """() => {
  for (const part of document.querySelectorAll("*")) {
    for (const kind of ["mouseover", "focus", "click", "load", "error"]) {
      if (part.hasAttribute("on" + kind)) { part.dispatchEvent(new Event(kind)); }
    }
  }
  const links = [...document.querySelectorAll("a")].map(link => link.getAttribute("href")
    || link.getAttribute("xlink:href") || "");
  return [window.ran, links.filter(link => /^\\s*javascript:/i.test(link)).length];
}"""


def run_of(browser, paths: Iterator[Path] | list[Path]) -> dict[str, str]:
    """File -> what it did that it must not: a probe that ran, a link that would, a request for anything else."""
    found = {}
    context = browser.new_context(offline=True)
    context.add_init_script(LISTEN)
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("dialog", lambda dialog: (asked.append("a dialog"), dialog.dismiss()))
    for path in paths:
        asked.clear()
        page.goto(path.as_uri(), wait_until="load")
        if path.suffix == ".html" and page.locator(".plot").count():
            page.wait_for_selector("body[data-drawn=yes]", timeout=60_000)
        ran, links = page.evaluate(TOUCH)
        others = [url for url in asked if url != path.as_uri() and not url.startswith(("data:", "blob:"))]
        if ran or links or others:
            found[path.name] = f"{ran} probes ran, {links} links would, asked for {others[:3]}"
    context.close()
    return found


def shown_outputs(notebook: Path, to: Path) -> list[Path]:
    """What a notebook shows as HTML or SVG, each output a file of its own."""
    content = json.loads(notebook.read_text(encoding="utf-8"))
    made = []
    outputs = [output for cell in content["cells"] for output in cell.get("outputs", [])]
    for number, output in enumerate(outputs):
        for kind, end in (("text/html", "html"), ("image/svg+xml", "svg")):
            if kind in output.get("data", {}):
                path = to / f"{notebook.stem}_{number}.{end}"
                path.write_text("".join(output["data"][kind]), encoding="utf-8")
                made.append(path)
    return made
