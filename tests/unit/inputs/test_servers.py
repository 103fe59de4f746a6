"""Rasters on a server of the loopback address: read in parts, told apart by what it says, faults in whole messages."""

from __future__ import annotations

import threading
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import numpy as np
import pytest
import rasterio
from pyproj import CRS

from gisprio.contracts.errors import InputError
from gisprio.inputs import servers
from gisprio.inputs.digests import raster_digest
from gisprio.inputs.faults import Fault
from gisprio.inputs.paths import Place
from gisprio.inputs.project import read_inputs
from gisprio.inputs.raster_files import RasterFile
from gisprio.inputs.rasters import RasterSource
from gisprio.inputs.servers import archive_of
from gisprio.inputs.tile_index import TileIndex

UTM = CRS.from_epsg(32633)


class Server:
    """Gives files by name, whole or in parts.

    Parameters
    ----------
    says
        Whether it tells tags of files and answers HEAD.
    """

    def __init__(self, says: bool = True) -> None:
        self.files: dict[str, tuple[bytes, str]] = {}
        self.asked: list[tuple[str, str]] = []
        own = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.0"  # no connection outlives the server

            def log_message(self, *args):
                pass

            def do_HEAD(self):
                self.answer(body=False)

            def do_GET(self):
                self.answer(body=True)

            def answer(self, body):
                own.asked.append((self.command, self.path))
                held = own.files.get(self.path)
                if held is None or (not body and not says):
                    self.send_response(404 if held is None else 405)
                    self.send_header("Content-Length", "0")
                    self.end_headers()
                    return
                content, tag = held
                first, last = 0, len(content) - 1
                if "Range" in self.headers:
                    low, _, high = self.headers["Range"].removeprefix("bytes=").partition("-")
                    first, last = int(low), min(last, int(high or last))
                    self.send_response(206)
                    self.send_header("Content-Range", f"bytes {first}-{last}/{len(content)}")
                else:
                    self.send_response(200)
                self.send_header("Accept-Ranges", "bytes")
                self.send_header("Content-Length", str(last + 1 - first))
                if says:
                    self.send_header("ETag", tag)
                self.end_headers()
                if body:
                    self.wfile.write(content[first : last + 1])

        self.http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.http.server_port}"
        self.thread = threading.Thread(target=self.http.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
        self.thread.start()

    def give(self, name: str, path, tag: str = '"one"') -> Place:
        self.files[f"/{name}"] = (path.read_bytes(), tag)
        return Place(f"/vsicurl/{self.url}/{name}")

    def stop(self) -> None:
        self.http.shutdown()
        self.http.server_close()


@contextmanager
def serving(says: bool = True):
    server = Server(says)
    try:
        yield server
    finally:
        server.stop()


@pytest.fixture(autouse=True)
def no_second_try():
    """A server that is away stays away: do not wait for it between tries."""
    from rasterio._env import get_gdal_config, set_gdal_config

    from gisprio.inputs.raster_files import prepare_gdal

    prepare_gdal()
    before = get_gdal_config("GDAL_HTTP_MAX_RETRY")
    set_gdal_config("GDAL_HTTP_MAX_RETRY", "0")
    yield
    set_gdal_config("GDAL_HTTP_MAX_RETRY", str(before))


def noise(world, side: int = 600):
    """A raster that does not shrink, in blocks of 128 cells."""
    values = np.random.default_rng(3).uniform(100, 200, (side, side)).astype("float32")
    path = world.raster("noise.tif", values, 1.0, tiled=True, blockxsize=128, blockysize=128)
    return path, values


def head_of(index: TileIndex, place: Place) -> RasterFile:
    head = index.head("dem", place)
    assert isinstance(head, RasterFile)
    return head


def test_a_window_of_a_file_on_a_server_is_read_in_parts(world):
    path, values = noise(world)
    with serving() as server:
        head = head_of(TileIndex(), server.give("noise.tif", path))
        source = RasterSource([head], UTM, "heights")
        got = source.window((500_200.5, 5_000_300.5, 500_300.5, 5_000_400.5))
        source.close()
        np.testing.assert_array_equal(got.values, values[199:300, 200:301])
        assert {path for _, path in server.asked} == {"/noise.tif"}


def test_the_digest_is_that_of_the_address_and_what_the_server_says(world, tmp_path, monkeypatch):
    path, _ = noise(world, 50)
    with serving() as server:
        place = server.give("a.tif", path)
        index = TileIndex(tmp_path / "index")
        head = head_of(index, place)
        assert head.version == f'ETag: "one"; Content-Length: {path.stat().st_size}'
        first = raster_digest([head], digest=index.digest)
        index.keep()
        opened, opens = [], rasterio.open
        monkeypatch.setattr(rasterio, "open", lambda *args, **kwargs: opened.append(args) or opens(*args, **kwargs))
        again = head_of(TileIndex(tmp_path / "index"), place)
        assert (again, opened) == (head, [])
        server.give("a.tif", path, '"two"')
        changed = head_of(TileIndex(tmp_path / "index"), place)
        assert len(opened) == 1
        assert raster_digest([changed], digest=index.digest) != first


def test_a_server_that_says_nothing_is_noted(world):
    path, _ = noise(world, 600)
    with serving(says=False) as server:
        server.give("noise.tif", path)
        settings = world.settings()
        layers = settings.layers.model_copy(update={"dem": (f"{server.url}/noise.tif",)})
        inputs = read_inputs(settings.model_copy(update={"layers": layers}))
        inputs.close()
    assert [(one.severity, one.says, one.do) for one in inputs.findings] == [
        (
            "note",
            "of noise.tif only the address is known: that its content changed there will not be noticed.",
            "run with --fresh after a change there, or download the file and give its path.",
        )
    ]


def test_a_server_that_is_away_before_the_run_is_asked_once(world, message, monkeypatch):
    with serving() as server:
        url = server.url
    asked, real = [], servers._asked
    monkeypatch.setattr(servers, "_asked", lambda url: asked.append(url) or real(url))
    settings = world.settings()
    layers = settings.layers.model_copy(update={"dem": (f"{url}/a.tif", f"{url}/b.tif")})
    host = url.removeprefix("http://")
    assert message(InputError, read_inputs, settings.model_copy(update={"layers": layers})) == (
        "InputError: 2 layers cannot be used.\n"
        f"  1. [layers] dem: {url}/a.tif cannot be reached: {host} does not answer ([Errno 111] Connection refused).\n"
        "     Wanted: a server that answers, or a file of this machine.\n"
        "     Do: check the address and the connection, or download the file and give its path.\n"
        f"  2. [layers] dem: {url}/b.tif cannot be reached: {host} does not answer ([Errno 111] Connection refused).\n"
        "     Wanted: a server that answers, or a file of this machine.\n"
        "     Do: check the address and the connection, or download the file and give its path."
    )
    assert asked == [f"{url}/a.tif"]


def test_a_server_that_lets_wait_is_given_up(monkeypatch):
    import socket

    monkeypatch.setattr(servers, "WAIT_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as deaf:
        host = f"127.0.0.1:{deaf.getsockname()[1]}"
        fault = TileIndex().head("dem", Place(f"/vsicurl/http://{host}/a.tif"))
    assert isinstance(fault, Fault)
    assert fault.says == f"[layers] dem: http://{host}/a.tif cannot be reached: {host} does not answer (timed out)."


def test_an_address_without_a_file(world):
    with serving() as server:
        fault = TileIndex().head("dem", Place(f"/vsicurl/{server.url}/none.tif"))
        assert fault == Fault(
            f"[layers] dem: {server.url}/none.tif cannot be read as a raster: HTTP response code: 404.",
            "the address of a raster that GDAL reads, on a server that gives parts of a file.",
            "check the address, or download the file and give its path.",
        )


def test_a_server_that_goes_away_during_the_run(world, message):
    path, _ = noise(world)
    with serving() as server:
        source = RasterSource([head_of(TileIndex(), server.give("noise.tif", path))], UTM, "heights")
        source.window((500_001, 5_000_595, 500_009, 5_000_599))
    assert message(InputError, source.window, (500_401, 5_000_001, 500_599, 5_000_099)) == (
        f"InputError: {server.url}/noise.tif could be opened, but not read to its end: its server no longer answers, "
        "or not in time.\n"
        "  Wanted: a server that answers as long as the run takes.\n"
        "  Do: run again when it does, finished stages are kept; or download the file and give its path."
    )
    source.close()
    assert message(InputError, source.window, (500_401, 5_000_001, 500_599, 5_000_099)).startswith(
        f"InputError: {server.url}/noise.tif could be opened, but not read to its end"
    )


def test_a_virtual_raster_over_a_server_changes_with_what_it_says(world, tmp_path):
    path, _ = noise(world, 50)
    with serving() as server:
        far = server.give("a.tif", path)
        place = Place(str(world.folder / "far.vrt"))
        (world.folder / "far.vrt").write_text(
            '<VRTDataset rasterXSize="50" rasterYSize="50"><SRS>EPSG:32633</SRS>'
            '<GeoTransform>500000,1,0,5000600,0,-1</GeoTransform><VRTRasterBand dataType="Float32" band="1">'
            f"<SimpleSource><SourceFilename>{far.path}</SourceFilename><SourceBand>1</SourceBand></SimpleSource>"
            "</VRTRasterBand></VRTDataset>"
        )
        seen = []
        for tag in ('"one"', '"one"', '"two"'):
            server.give("a.tif", path, tag)
            seen.append(raster_digest([head_of(TileIndex(), place)]))
        assert seen[0] == seen[1] != seen[2]


def test_archives_are_told_from_servers(tmp_path):
    (tmp_path / "a.zip").write_bytes(b"")
    assert archive_of(Place(f"/vsizip/{tmp_path}/a.zip/b.tif")) == f"{tmp_path}/a.zip"
    assert archive_of(Place(f"/vsizip/{tmp_path}/none.zip/b.tif")) is None
    assert archive_of(Place("/vsicurl/https://example.org/a.tif")) is None
