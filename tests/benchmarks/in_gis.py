"""Form and layers in a desktop GIS: what it makes of styles, widgets and rules, and pictures to look at.

    python3 tests/benchmarks/in_gis.py RESULTS OUT

With the Python that has QGIS (``apt-get install qgis python3-qgis``), not gisprio's. RESULTS is a result folder where
``gisprio visits`` wrote its form; copies of both files are opened. Ends with 1 where a wrong value was taken, a right
one refused, or a layer with places came up without its style.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from qgis.core import QgsApplication, QgsMapRendererParallelJob, QgsMapSettings, QgsProject, QgsVectorLayer
from qgis.gui import QgsAttributeForm, QgsGui
from qgis.PyQt.QtCore import QDate, QSize
from qgis.PyQt.QtGui import QColor
from qgis.PyQt.QtWidgets import QTabWidget

TRIED = (
    ("material", "sand", True), ("material", "marble", False), ("plants_alive", 12, True), ("plants_alive", -1, False),
    ("root_density_pct", 55.0, True), ("root_density_pct", 101.0, False), ("date", QDate(2026, 5, 31), True),
    ("erodes", "yes", True), ("erodes", "maybe", False),
)  # fmt: skip
"""Field, value, and whether the file should take it."""


def tell(text: str) -> None:
    """Write a line."""
    sys.stdout.write(text + "\n")


def open_layer(path: Path, name: str) -> QgsVectorLayer:
    """Open a layer as the GIS does when it is dragged in."""
    return QgsVectorLayer(f"{path}|layername={name}", name, "ogr")


def draw(layers: list[QgsVectorLayer], picture: Path) -> None:
    """Draw layers, the first on top, over their whole extent."""
    settings = QgsMapSettings()
    settings.setLayers(layers)
    settings.setBackgroundColor(QColor("white"))
    settings.setOutputSize(QSize(1400, 1000))
    settings.setDestinationCrs(layers[0].crs())
    settings.setExtent(settings.fullExtent())
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    job.renderedImage().save(str(picture))


def look_at_layers(path: Path, out: Path) -> int:
    """Draw every layer with places; count those whose style was not taken."""
    with closing(sqlite3.connect(path)) as base:
        names = [name for (name,) in base.execute("SELECT table_name FROM gpkg_contents WHERE data_type = 'features'")]
        styled = {name for (name,) in base.execute("SELECT f_table_name FROM layer_styles")}
    layers = [open_layer(path, name) for name in names]
    shown = [layer for layer in layers if layer.featureCount()]
    draw(shown[::-1], out / "layers.png")
    for layer in shown:
        draw([layer], out / f"layer-{layer.name()}.png")
    plain = [layer.name() for layer in layers if not layer.isValid() or layer.name() not in styled]
    tell(f"{path.name}: {len(layers)} layers, without a style of their own: {', '.join(plain) or 'none'}")
    return len(plain)


def look_at_form(app: QgsApplication, path: Path, out: Path) -> int:
    """Draw the form page by page and try values; count those that went wrong."""
    form = open_layer(path, "visits")
    QgsProject.instance().addMapLayer(form)
    draw([form], out / "places.png")
    kinds = {field.name(): form.editorWidgetSetup(number).type() for number, field in enumerate(form.fields())}
    tell(f"{path.name}: widgets {', '.join(sorted(set(kinds.values()) - {''}))}")
    first = next(form.getFeatures())
    page = QgsAttributeForm(form, first)
    page.resize(560, 900)
    page.show()
    for tabs in page.findChildren(QTabWidget)[:1]:
        for number in range(tabs.count()):
            tabs.setCurrentIndex(number)
            app.processEvents()
            page.grab().save(str(out / f"form-{number + 1}.png"))
    page.close()
    wrong = 0
    for name, value, right in TRIED:
        form.startEditing()
        form.changeAttributeValue(first.id(), form.fields().indexOf(name), value)
        taken = form.commitChanges()
        if not taken:
            form.rollBack()
        wrong += taken != right
        tell(f"  {name} = {value}: {'taken' if taken else 'refused'}{'' if taken == right else ', WRONG'}")
    return wrong


def main(results: Path, out: Path) -> int:
    """Look at form and layers; 1 where something went wrong."""
    out.mkdir(parents=True, exist_ok=True)
    app = QgsApplication([], True)
    app.initQgis()
    QgsGui.editorWidgetRegistry().initEditors()
    for name in ("visits.gpkg", "ranked.gpkg"):
        shutil.copy(results / name, out / name)
    return int(look_at_layers(out / "ranked.gpkg", out) + look_at_form(app, out / "visits.gpkg", out) > 0)


if __name__ == "__main__":
    code = main(Path(sys.argv[1]), Path(sys.argv[2]))
    sys.stdout.flush()
    os._exit(code)  # the GIS ends less cleanly than its work
