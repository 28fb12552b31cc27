"""Reading STL and 3MF, and refusing what should be refused."""

from __future__ import annotations

import io
import pickle
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
import trimesh

from router.geometry import MeshError, measure, read_mesh

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
RELATIONS = (
    '<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Target="/3D/part.model" Id="r0" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)


def box_stl(kind: str = "stl", size: tuple[float, float, float] = (2.0, 3.0, 4.0)) -> bytes:
    data = trimesh.creation.box(size).export(file_type=kind)
    return data.encode() if isinstance(data, str) else bytes(data)


def mesh_xml(size: float = 2.0) -> str:
    box = trimesh.creation.box((size, size, size))
    vertices = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in box.vertices)
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in box.faces)
    return f"<mesh><vertices>{vertices}</vertices><triangles>{triangles}</triangles></mesh>"


def model_xml(resources: str, build: str, head: str = 'unit="millimeter"', before: str = "") -> str:
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>{before}<model xmlns="{CORE}" {head}>'
        f"<resources>{resources}</resources><build>{build}</build></model>"
    )


def write_3mf(path: Path, model: str, **others: str) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("_rels/.rels", RELATIONS)
        archive.writestr("3D/part.model", model)
        for name, content in others.items():
            archive.writestr(name.replace("__", "/") + ".model", content)
    return path


def write(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def refused(path: Path, unit: str = "mm") -> MeshError:
    with pytest.raises(MeshError) as caught:
        read_mesh(path, unit)
    assert caught.value.path == path
    assert caught.value.found and caught.value.expected
    return caught.value


@pytest.mark.parametrize("kind", ["stl", "stl_ascii"])
def test_stl_both_ways(tmp_path: Path, kind: str) -> None:
    mesh = read_mesh(write(tmp_path / "box.stl", box_stl(kind)))
    assert len(mesh.faces) == 12 and len(mesh.vertices) == 8
    assert mesh.volume == pytest.approx(24.0)


@pytest.mark.parametrize(("unit", "factor"), [("micron", 1e-3), ("cm", 10.0), ("inch", 25.4), ("foot", 304.8)])
def test_stl_takes_the_stated_unit(tmp_path: Path, unit: str, factor: float) -> None:
    mesh = read_mesh(write(tmp_path / "box.stl", box_stl()), unit)
    assert np.ptp(mesh.vertices, axis=0) == pytest.approx(np.array([2.0, 3.0, 4.0]) * factor)


def test_binary_stl_that_begins_with_solid_and_has_a_comment_behind(tmp_path: Path) -> None:
    data = b"solid box".ljust(80) + box_stl()[80:]
    assert len(read_mesh(write(tmp_path / "a.stl", data)).faces) == 12
    assert len(read_mesh(write(tmp_path / "b.stl", box_stl() + b"note")).faces) == 12


def test_minus_zero_and_zero_are_one_vertex(tmp_path: Path) -> None:
    data = bytearray(box_stl())
    corners = np.frombuffer(bytes(data[84:]), dtype=np.uint8).reshape(-1, 50)[:, 12:48].copy().view("<f4")
    corners += 1.0  # low corner at 0
    corners[corners == 0.0] = np.where(np.arange((corners == 0.0).sum()) % 2, 0.0, -0.0)
    records = b"".join(bytes(12) + row.tobytes() + bytes(2) for row in corners)
    assert len(read_mesh(write(tmp_path / "z.stl", bytes(data[:84]) + records)).vertices) == 8


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("empty", b""),
        ("short", box_stl()[:200]),
        ("noise", b"\x93\x01\x07" * 400),
        ("text", b"this is not a mesh"),
        ("zero", b"\0" * 84),
        ("ascii cut", box_stl("stl_ascii")[:400]),
        ("ascii word", box_stl("stl_ascii").replace(b"vertex 1", b"vertex one", 1)),
        ("ascii none", b"solid x\nendsolid x\n"),
        ("zip without model", b"PK\x03\x04" + b"\0" * 60),
    ],
)
def test_damaged_files_are_refused(tmp_path: Path, name: str, data: bytes) -> None:
    refused(write(tmp_path / f"{name}.stl", data))


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 1e30])
def test_bad_coordinates_are_refused(tmp_path: Path, value: float) -> None:
    data = bytearray(box_stl())
    data[84 + 12 : 84 + 16] = struct.pack("<f", value)
    refused(write(tmp_path / "bad.stl", bytes(data)))


def test_triangles_without_area_are_refused(tmp_path: Path) -> None:
    line = struct.pack("<12fH", 0, 0, 0, 0, 0, 0, 1, 0, 0, 2, 0, 0, 0)
    refused(write(tmp_path / "line.stl", bytes(80) + struct.pack("<I", 1) + line))


def test_missing_file_folder_and_unit(tmp_path: Path) -> None:
    refused(tmp_path / "none.stl")
    refused(tmp_path)
    assert "inch" in refused(write(tmp_path / "box.stl", box_stl()), "furlong").expected


def test_mesh_error_crosses_processes() -> None:
    error = MeshError(Path("a.stl"), "x", "y")
    again = pickle.loads(pickle.dumps(error))
    assert (again.path, again.found, again.expected, str(again)) == (error.path, "x", "y", str(error))


def test_3mf_units_transforms_and_several_items(tmp_path: Path) -> None:
    model = model_xml(
        f'<object id="1" type="model">{mesh_xml()}</object>',
        '<item objectid="1"/><item objectid="1" transform="0 1 0 -1 0 0 0 0 3 10 0 5"/>',
        'unit="inch"',
    )
    mesh = read_mesh(write_3mf(tmp_path / "two.3mf", model), "micron")  # the stated unit is the file's own
    assert mesh.volume == pytest.approx((8.0 + 24.0) * 25.4**3)
    assert mesh.bounds == pytest.approx(np.array([[-1, -1, -1], [11, 1, 8]]) * 25.4)
    facts = measure(tmp_path / "two.3mf")
    assert facts.body_count == 2 and any("2 build items" in note for note in facts.notes)


def test_3mf_nested_components_and_a_mirror(tmp_path: Path) -> None:
    model = model_xml(
        f'<object id="1">{mesh_xml()}</object>'
        '<object id="2"><components><component objectid="1" transform="1 0 0 0 1 0 0 0 1 4 0 0"/>'
        '<component objectid="1"/></components></object>'
        '<object id="3"><components><component objectid="2" transform="-2 0 0 0 1 0 0 0 1 0 0 0"/>'
        "</components></object>"
        f'<object id="9">{mesh_xml(50.0)}</object>',
        '<item objectid="3" transform="1 0 0 0 1 0 0 0 1 0 7 0"/>',
    )
    mesh = read_mesh(write_3mf(tmp_path / "nested.3mf", model))
    assert len(mesh.faces) == 24  # object 9 is no build item
    assert mesh.volume == pytest.approx(32.0)  # mirrored, yet right side out
    assert mesh.bounds == pytest.approx(np.array([[-10, 6, -1], [2, 8, 1]]))


def test_3mf_split_over_parts(tmp_path: Path) -> None:
    production = 'xmlns:p="http://schemas.microsoft.com/3dmanufacturing/production/2015/06" requiredextensions="p"'
    root = model_xml("", '<item objectid="4" p:path="/3D/other.model"/>', production)
    other = model_xml(f'<object id="4">{mesh_xml()}</object>', "")
    mesh = read_mesh(write_3mf(tmp_path / "split.3mf", root, **{"3D__other": other}))
    assert mesh.volume == pytest.approx(8.0)


ONE_BOX = f'<object id="1">{mesh_xml()}</object>'


def doubling(levels: int, mesh: str) -> str:
    objects = f'<object id="0">{mesh}</object>'
    for level in range(1, levels + 1):
        twice = f'<component objectid="{level - 1}"/>' * 2
        objects += f'<object id="{level}"><components>{twice}</components></object>'
    return model_xml(objects, f'<item objectid="{levels}"/>')


@pytest.mark.parametrize(
    ("name", "model"),
    [
        ("no item", model_xml(f'<object id="1">{mesh_xml()}</object>', "")),
        ("no object", model_xml("", '<item objectid="1"/>')),
        ("no triangles", model_xml('<object id="1"/>', '<item objectid="1"/>')),
        ("unit", model_xml(ONE_BOX, '<item objectid="1"/>', 'unit="parsec"')),
        ("twice", model_xml(ONE_BOX * 2, '<item objectid="1"/>')),
        ("index", model_xml(ONE_BOX.replace('v1="0"', 'v1="99"'), '<item objectid="1"/>')),
        ("number", model_xml(ONE_BOX.replace('x="1.0"', 'x="one"'), '<item objectid="1"/>')),
        ("nan", model_xml(ONE_BOX.replace('x="1.0"', 'x="nan"'), '<item objectid="1"/>')),
        ("transform", model_xml(f'<object id="1">{mesh_xml()}</object>', '<item objectid="1" transform="1 0 0"/>')),
        ("cut", model_xml(f'<object id="1">{mesh_xml()}</object>', '<item objectid="1"/>')[:-40]),
        (
            "extension",
            model_xml(
                f'<object id="1">{mesh_xml()}</object>', '<item objectid="1"/>',
                'xmlns:b="http://example.org/lattice" requiredextensions="b"',
            ),
        ),
        (
            "cycle",
            model_xml(
                '<object id="1"><components><component objectid="2"/></components></object>'
                '<object id="2"><components><component objectid="1"/></components></object>',
                '<item objectid="1"/>',
            ),
        ),
        ("doubling", doubling(40, mesh_xml())),
        ("doubling nothing", doubling(60, "")),
    ],
)  # fmt: skip
def test_3mf_that_is_wrong_is_refused(tmp_path: Path, name: str, model: str) -> None:
    refused(write_3mf(tmp_path / f"{name}.3mf", model))


def test_3mf_with_entities_is_refused(tmp_path: Path) -> None:
    bomb = '<!DOCTYPE model [<!ENTITY a "aaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
    model = model_xml(f'<object id="1" name="&b;">{mesh_xml()}</object>', '<item objectid="1"/>', before=bomb)
    assert "document type" in refused(write_3mf(tmp_path / "entities.3mf", model)).found
    outside = '<!DOCTYPE model SYSTEM "file:///etc/hostname">'
    model = model_xml(f'<object id="1">{mesh_xml()}</object>', '<item objectid="1"/>', before=outside)
    assert "document type" in refused(write_3mf(tmp_path / "outside.3mf", model)).found


def test_3mf_that_unpacks_to_far_more_is_refused(tmp_path: Path) -> None:
    model = model_xml(f'<object id="1">{mesh_xml()}</object>' + " " * 30_000_000, '<item objectid="1"/>')
    error = refused(write_3mf(tmp_path / "bomb.3mf", model))
    assert "unpacks" in error.found


def test_3mf_damaged_archive_is_refused(tmp_path: Path) -> None:
    whole = write_3mf(
        tmp_path / "whole.3mf", model_xml(f'<object id="1">{mesh_xml()}</object>', '<item objectid="1"/>')
    ).read_bytes()
    refused(write(tmp_path / "cut.3mf", whole[: len(whole) // 2]))
    position = whole.index(b"3D/part.model") + 60
    broken = bytearray(whole)
    broken[position : position + 20] = bytes(20)
    refused(write(tmp_path / "broken.3mf", bytes(broken)))
    empty = io.BytesIO()
    with zipfile.ZipFile(empty, "w") as archive:
        archive.writestr("readme.txt", "nothing here")
    refused(write(tmp_path / "other.3mf", empty.getvalue()))
