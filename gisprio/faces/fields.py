"""The field list of every layer of the results, from the contracts themselves."""

from __future__ import annotations

import json
from typing import Any

from gisprio.compute.factors import layer_with_factors
from gisprio.contracts.compare import COMPARE_LAYERS
from gisprio.contracts.layers import ON_DEMAND_LAYERS, RESULT_LAYERS
from gisprio.contracts.schema import Column

_HOMES = {
    "stations": "stations.parquet",
    "sensitivity": "sensitivity.csv",
    "work_items": "works.csv",
    "work_sites": "works_sites.csv",
    "work_warnings": "works_warnings.csv",
    "work_costs": "works_costs.csv",
    "site_costs": "works_site_costs.csv",
    "property_costs": "works_property_costs.csv",
    "work_hours": "works_hours.csv",
}
_COMPARED = tuple(layer for layer in COMPARE_LAYERS.values() if layer not in RESULT_LAYERS)
_HOMES |= {layer.name: "compare/compare.gpkg" for layer in _COMPARED}
_ON_DEMAND = (*(layer for layer in ON_DEMAND_LAYERS if layer.name in _HOMES), *_COMPARED)
"""Tables of commands: those of which there is a file."""


def field_list() -> dict[str, Any]:
    """Give each layer by name: its file, geometry, key and columns in order."""
    return {
        layer.name: {
            "file": _HOMES.get(layer.name, "ranked.gpkg"),
            "geometry": layer.geometry,
            "key": list(layer.key),
            "says": layer.says,
            "columns": [_column(column) for column in layer_with_factors(layer).columns],
        }
        for layer in (*RESULT_LAYERS, *_ON_DEMAND)
    }


def fields_as_json() -> str:
    """Give the field list as JSON."""
    return json.dumps(field_list(), ensure_ascii=False, indent=1)


def fields_as_text() -> str:
    """Give the field list as text, a line a column."""
    lines: list[str] = []
    for name, layer in field_list().items():
        lines += [f"{name} ({layer['file']}, geometry: {layer['geometry']}): {layer['says']}"]
        for column in layer["columns"]:
            unit = f" [{column['unit']}]" if column["unit"] else ""
            among = f" One of: {', '.join(column['among'])}." if column["among"] else ""
            null = "" if column["null"] else " Never null."
            lines.append(f"  {column['name']:<28} {column['kind']:<5} {column['says']}{unit}{among}{null}")
        lines.append("")
    return "\n".join(lines).rstrip()


def _column(column: Column) -> dict[str, Any]:
    return {
        "name": column.name,
        "kind": column.kind,
        "unit": column.unit,
        "null": column.null,
        "low": column.low,
        "high": column.high,
        "among": list(column.among),
        "says": column.says,
    }
