"""A notebook in JupyterLab, in a real browser: opened, run to its end, its figures and tables seen."""

import json
import os
import secrets
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import nbformat
import pytest

from tests.notebooks.adapted import ON_A_REPORT, before, notebooks, offered

ROOT = Path(__file__).resolve().parents[2]
COHORT = ROOT / "tests" / "studies" / "five_person_cohort"
START_S, RUN_S = 60, 180
RUN_ALL = "() => { window.jupyterapp.commands.execute('notebook:run-all-cells'); }"
READY = """() => {
  const shown = window.jupyterapp?.shell?.currentWidget?.sessionContext?.session?.kernel?.status;
  return shown === 'idle';
}"""
DONE = """() => {
  const model = window.jupyterapp.shell.currentWidget.content.model;
  const cells = Array.from({ length: model.cells.length }, (_, place) => model.cells.get(place));
  const code = cells.filter(cell => cell.type === 'code');
  return code.every(cell => cell.executionCount !== null) || code.some(cell => cell.sharedModel.outputs.some(
    output => output.output_type === 'error'));
}"""
OUTPUTS = """() => {
  const model = window.jupyterapp.shell.currentWidget.content.model;
  return Array.from({ length: model.cells.length }, (_, place) => model.cells.get(place))
    .filter(cell => cell.type === 'code').flatMap(cell => cell.sharedModel.outputs.map(output => output.output_type));
}"""


def free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


def answer(url: str) -> int:
    """Status of a request."""
    try:
        with urllib.request.urlopen(url, timeout=5) as reply:
            return reply.status
    except urllib.error.HTTPError as error:
        return error.code


@pytest.fixture(scope="module")
def lab(browser, tmp_path_factory):
    """JupyterLab on this computer only, with a token, on a copy of one notebook: its address and the token."""
    home = tmp_path_factory.mktemp("lab")
    work = home / "work"
    work.mkdir()
    notebook = nbformat.read(ROOT / "notebooks" / "4_who_passed_the_threshold.ipynb", 4)
    cell = next(cell for cell in notebook.cells if "parameters" in cell.metadata.get("tags", []))
    cell.source = cell.source.replace('"my_study"', json.dumps(str(COHORT)))
    assert str(COHORT) in cell.source
    for name in notebooks():
        if name != ON_A_REPORT:  # a worked edit of every notebook: its last part, after the cells it needs
            sources = [*before(name, folder=COHORT), offered(name)[0]]
            notebook.cells += [nbformat.v4.new_code_cell(source) for source in sources]
    nbformat.write(notebook, work / "passing.ipynb")
    port, token = free_port(), secrets.token_urlsafe(24)
    environment = os.environ | {name: str(home / name.lower()) for name in (
        "HOME", "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR")}  # fmt: skip
    environment |= {"PYTHONPATH": str(ROOT), "JUPYTER_TOKEN": token, "JUPYTER_NO_CONFIG": "1"}
    for name in ("home", "ipythondir"):
        (home / name).mkdir()
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ip=127.0.0.1", f"--port={port}",
               "--ServerApp.port_retries=0", "--LabApp.expose_app_in_browser=True", "--LabApp.news_url=",
               "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
               f"--ServerApp.root_dir={work}"]  # fmt: skip
    log = home / "server.log"
    with log.open("w") as out:
        server = subprocess.Popen(command, env=environment, cwd=work, stdout=out, stderr=out, start_new_session=True)
    address = f"http://127.0.0.1:{port}"
    try:
        end = time.monotonic() + START_S
        while True:
            if server.poll() is not None or time.monotonic() > end:
                pytest.fail(f"JupyterLab did not start:\n{log.read_text()[-2000:]}")
            try:
                if answer(f"{address}/api/status?token={token}") == 200:
                    break
            except OSError:
                pass
            time.sleep(0.2)
        yield address, token
    finally:
        server.send_signal(signal.SIGINT)  # twice: the first asks whether to stop
        server.send_signal(signal.SIGINT)
        server.terminate()
        try:
            server.wait(10)
        except subprocess.TimeoutExpired:
            os.killpg(server.pid, signal.SIGKILL)


@pytest.fixture(scope="module")
def finished(lab, browser):
    """The page with the notebook run to its end, and what it asked for outside this computer."""
    address, token = lab
    context = browser.new_context(viewport={"width": 1280, "height": 1000})
    page, asked, failed = context.new_page(), [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: failed.append(str(error)))
    page.goto(f"{address}/lab/tree/passing.ipynb?token={token}", wait_until="domcontentloaded")
    page.wait_for_function(READY, timeout=START_S * 1000)
    page.evaluate(RUN_ALL)
    page.wait_for_function(DONE, timeout=RUN_S * 1000)
    yield page, asked, failed
    context.close()


def scroll_through(page) -> None:
    """JupyterLab draws a cell when it comes into view."""
    page.evaluate("""async () => {
      const notebook = window.jupyterapp.shell.currentWidget.content;
      for (let place = 0; place < notebook.model.cells.length; place++) {
        await notebook.scrollToItem(place, 'start');
        await new Promise(resolve => setTimeout(resolve, 120));
      }
    }""")


def test_without_the_token_nothing_is_served(lab):
    address, token = lab
    assert answer(f"{address}/api/contents?token={token}") == 200
    assert answer(f"{address}/api/contents") == 403
    assert answer(f"{address}/api/contents?token=wrong") == 403


def test_the_notebook_runs_to_its_end_and_its_figures_and_tables_are_seen(finished):
    page, asked, failed = finished
    outputs = page.evaluate(OUTPUTS)
    assert "error" not in outputs
    assert outputs.count("display_data") + outputs.count("execute_result") >= 8
    scroll_through(page)
    notebook = page.locator(".jp-Notebook")
    # Five people: a bar each; a step for each value that occurs; every one drawn, none as a blank box.
    notebook.locator(".js-plotly-plot .main-svg .barlayer .point").first.wait_for(state="attached", timeout=20_000)
    bars = notebook.locator(".js-plotly-plot .main-svg .barlayer .point")
    points = notebook.locator(".js-plotly-plot .main-svg .scatterlayer .point")
    assert bars.count() >= 5
    assert points.count() >= 5
    assert bars.first.bounding_box()["width"] > 5
    tables = notebook.locator(".jp-OutputArea-output table")
    assert tables.count() >= 1
    # By their content: JupyterLab leaves text below the part in view without a layout, so it has no inner text.
    assert "Participants who passed each published threshold" in " ".join(
        notebook.locator("caption").all_text_contents()
    )
    assert tables.first.bounding_box()["height"] > 50
    assert failed == []
    assert [
        url for url in asked if not url.startswith(("http://127.0.0.1:", "ws://127.0.0.1:", "data:", "blob:"))
    ] == []
