"""How the notebooks become pages that any browser shows, without a network.

`jupyter nbconvert --config notebooks/as_pages.py` runs them all and writes an HTML page of each to
`build/notebooks`. Figures are drawn by plotly's own script, which each page holds once.
"""

import base64
import os
from pathlib import Path

from nbformat.v4 import new_markdown_cell
from plotly.io import to_html

MIME = "application/vnd.plotly.v1+json"
here = Path(__file__).resolve().parent
font = here.parent / "dashboard" / "assets" / "fonts" / "public-sans.woff2"

#: An article, of lines that can be read, in the type that figures leave room for.
FONT = base64.b64encode(font.read_bytes()).decode()
STYLE = f"""<style>
@font-face {{
  font-family: "Public Sans";
  src: url("data:font/woff2;base64,{FONT}") format("woff2");
  font-weight: 100 900;
}}
main {{ max-width: 62rem; margin: 0 auto; }}
main, .jp-RenderedHTMLCommon {{ font-family: "Public Sans", sans-serif; }}
.jp-OutputArea-output pre {{ word-break: normal; overflow-wrap: anywhere; }}
</style>"""


def drawn(notebook, resources):
    """Put in the place of each figure's numbers what a browser draws of them."""
    outputs = [one for cell in notebook.cells for one in cell.get("outputs", ())]
    script = True
    for output in outputs:
        if MIME in output.get("data", ()):
            figure = {name: output.data[MIME][name] for name in ("data", "layout")}
            html = to_html(
                figure,
                config={"displayModeBar": False, "responsive": True},
                include_plotlyjs=script,
                full_html=False,
            )
            output["data"] = {"text/html": html}
            script = False
    notebook.cells.insert(0, new_markdown_cell(STYLE))
    return notebook, resources


c = get_config()  # noqa: F821
c.NbConvertApp.notebooks = [str(here / "*.ipynb")]
c.NbConvertApp.export_format = "html"
c.FilesWriter.build_directory = str(here.parent / "build" / "notebooks")
c.ExecutePreprocessor.enabled = True
c.ExecutePreprocessor.timeout = 600
os.environ["PLOTLY_RENDERER"] = "plotly_mimetype"
c.HTMLExporter.preprocessors = [drawn]
c.TemplateExporter.exclude_input_prompt = True
c.TemplateExporter.exclude_output_prompt = True
# Scripts that a page would fetch from elsewhere, for formulas and widgets: there are none.
c.HTMLExporter.mathjax_url = ""
c.HTMLExporter.require_js_url = ""
c.HTMLExporter.jupyter_widgets_base_url = ""
