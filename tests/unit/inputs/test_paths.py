from __future__ import annotations

from gisprio.inputs.paths import Place, expand_layers


def places(world, value):
    path = world.config()
    path.write_text(path.read_text().replace('streams = "streams.gpkg"', f"streams = {value}"))
    from gisprio.inputs.config import read_settings

    return expand_layers(read_settings(path))["streams"]


def test_addresses_are_handed_on(world):
    assert places(world, '["https://example.org/a.gpkg|lines", "/vsicurl/https://example.org/b.gpkg"]') == [
        Place("/vsicurl/https://example.org/a.gpkg", "lines"),
        Place("/vsicurl/https://example.org/b.gpkg", ""),
    ]


def test_sublayers_absolute_paths_and_brackets_in_names(world):
    odd = world.folder / "lines [1].gpkg"
    odd.write_bytes((world.folder / "streams.gpkg").read_bytes())
    whole = (world.folder / "streams.gpkg").resolve()
    assert places(world, f'["{whole}|main", "lines [1].gpkg"]') == [
        Place(str(whole), "main"),
        Place(str(odd.resolve())),
    ]
    assert Place(str(whole), "main").name == "streams.gpkg|main"


def test_a_glob_gives_files_by_name_and_none_twice(world):
    for name in ("b.gpkg", "a.gpkg"):
        (world.folder / name).write_text("")
    got = places(world, '["[ab].gpkg", "b.gpkg"]')
    assert [place.name for place in got] == ["a.gpkg", "b.gpkg"]
