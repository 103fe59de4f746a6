"""One self-contained page around a folium map: everything inlined, nothing fetched, scripts allowed by hash only."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import cast
from urllib.parse import urlsplit

import folium
from branca.element import Element, Figure, Link, MacroElement
from folium.raster_layers import ImageOverlay
from jinja2 import Template

from gisprio.products.hillshade import Shade


@dataclass(frozen=True, slots=True)
class Design:
    """What a page is made of besides its data; every name is a file of ``assets``.

    Parameters
    ----------
    markup
        Beside the map.
    styles
        In order.
    scripts
        In order of loading; each adds its functions to one shared object.
    """

    markup: str
    styles: tuple[str, ...]
    scripts: tuple[str, ...]


RANKED_BANKS = Design(
    markup="page.html",
    styles=("base.css", "map.css"),
    scripts=(
        "text.js", "unpack.js", "shapes.js", "rank.js", "paint.js", "symbols.js", "names.js", "drawings.js", "card.js",
        "legend.js", "table.js", "filters.js", "weights.js", "search.js", "picks.js", "place.js", "printing.js",
        "panel.js", "map.js",
    ),
)  # fmt: skip
"""The map of ranked banks."""

_POLICY = (
    "default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data:{images}; "
    "connect-src 'none'; form-action 'none'; base-uri 'none'"
)


class OfflineMap(folium.Map):
    """A folium map that asks for Leaflet alone, draws no tiles and has a fixed name in the page."""

    _template = Template(
        "{% macro html(this, kwargs) %}"
        '<div id={{ this.get_name()|tojson }} class="map" role="region" aria-label={{ this.says|tojson }} '
        'tabindex="0"></div>'
        "{% endmacro %}"
        "{% macro script(this, kwargs) %}"
        "var {{ this.get_name() }} = L.map({{ this.get_name()|tojson }}, {"
        "center: {{ this.location|tojson }}, zoom: 12, crs: L.CRS.{{ this.crs }}, zoomControl: false, "
        "attributionControl: false, zoomSnap: 0.25, zoomDelta: 0.5, maxZoom: 20, minZoom: 5, "
        "...(matchMedia('(prefers-reduced-motion: reduce)').matches "
        "? {zoomAnimation: false, fadeAnimation: false, inertia: false} : {})});"
        "{% endmacro %}"
    )

    def __init__(self, centre: tuple[float, float], says: str = "Map of stream banks") -> None:
        super().__init__(location=list(centre), tiles=None)
        self.says = says
        self._name, self._id = "map", "watershed"
        self.default_js = [("leaflet", "leaflet.js")]
        self.default_css = [("leaflet_css", "leaflet.css")]


class Panel(MacroElement):
    """The panel beside the map and the boxes on it, and the data: all text comes from the payload."""

    _template = Template(
        "{% macro html(this, kwargs) %}{{ this.markup }}\n"
        '<script type="text/plain" id="payload">{{ this.payload }}</script>{% endmacro %}'
    )

    def __init__(self, payload: str, design: Design = RANKED_BANKS) -> None:
        super().__init__()
        self._name, self._id = "panel", "watershed"
        self.markup = _asset(design.markup)
        self.payload = payload


def hillshade_layer(shade: Shade) -> ImageOverlay:
    """Give the hillshade as a folium layer, the picture inside it."""
    url = "data:image/webp;base64," + base64.b64encode(shade.webp).decode("ascii")
    bounds = [[shade.south, shade.west], [shade.north, shade.east]]
    layer = ImageOverlay(url, bounds, pixelated=False, alt="Aerial image" if shade.has_image else "Hillshade")
    layer._name, layer._id = "hillshade", "watershed"
    return layer


def assemble_page(chart: OfflineMap, title: str, *, tiles: str = "", design: Design = RANKED_BANKS) -> str:
    """Give the whole page as text.

    Parameters
    ----------
    chart
        The map with its layers and panel.
    title
        Static title of the page; never text from data.
    tiles
        Address of online tiles that the page may ask for; empty for none.
    design
        Styles and scripts of the page; its markup came with the panel.

    Returns
    -------
    str
        HTML that makes no request.

    Raises
    ------
    ValueError
        When a layer on the map asks for a file that is not inlined.

    Notes
    -----
    The hash of each script is taken from the script before it is put into the page, so a script that came in by
    another way is not run.
    """
    figure = cast(Figure, chart.get_root())
    for child in list(figure._children.values()):
        child.render()
    _refuse_links(figure.header)
    scripts = [_leaflet_script(), figure.script.render(), _own_script(design.scripts)]
    hashes = " ".join(script_hash(script) for script in scripts)
    styles = [_leaflet_style(), *(_asset(name) for name in design.styles)]
    policy = _POLICY.format(hashes=hashes, images=_server_of(tiles))
    head = [
        '<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{title}</title>",
        *(f"<style>{style}</style>" for style in styles),
    ]
    body = [f"<main>{figure.html.render()}</main>", *(f"<script>{script}</script>" for script in scripts)]
    return "\n".join(
        ["<!DOCTYPE html>", '<html lang="en">', "<head>", *head, "</head>", "<body>", *body, "</body>", "</html>", ""]
    )


def _server_of(tiles: str) -> str:
    """Give the servers that tiles come from as the policy names them, a blank before; empty for none."""
    if not tiles:
        return ""
    server = urlsplit(tiles).netloc.replace("{s}", "*")
    return f" https://{server}"


def script_hash(script: str) -> str:
    """Give the word that allows a script in a Content-Security-Policy."""
    return "'sha256-" + base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii") + "'"


def _refuse_links(header: Element) -> None:
    known = {"leaflet", "leaflet_css"}
    for name, element in header._children.items():
        if isinstance(element, Link) and name not in known:
            raise ValueError(f"a layer of the map asks for {name}, of which the page holds no copy")


def _own_script(scripts: tuple[str, ...]) -> str:
    parts = "\n".join(_asset(name) for name in scripts)
    return f'(() => {{\n"use strict";\n{parts}}})();\n'


def _asset(name: str) -> str:
    return (files("gisprio.products") / "assets" / name).read_text(encoding="utf-8")


def _leaflet() -> Traversable:
    return files("js_lib_leaflet") / "static" / "js_lib_leaflet"


def _leaflet_script() -> str:
    script = (_leaflet() / "leaflet.js").read_text(encoding="utf-8")
    return script.split("\n//# sourceMappingURL", maxsplit=1)[0]


def _leaflet_style() -> str:
    style = (_leaflet() / "leaflet.css").read_text(encoding="utf-8")
    return re.sub(r"url\((images/[^)]+)\)", partial(_inlined, _leaflet()), style)


def _inlined(root: Traversable, found: re.Match[str]) -> str:
    picture = root.joinpath(*found[1].split("/")).read_bytes()
    return f"url(data:image/png;base64,{base64.b64encode(picture).decode('ascii')})"
