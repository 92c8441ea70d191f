"""Measured-colour text files: good ones of every form, and bad ones that must say why."""

import warnings

import numpy as np
import pytest

from vision import colour
from vision.cgats import observer_table, read_cgats
from vision.errors import CalibrationInvalid

LAB_ROWS = ((95.19, -1.03, 2.93), (50.57, 48.64, 16.67), (28.37, 15.42, -49.80))
NAMES = ("white", "moderate red", "blue")


def cgats(fields, rows, *, head="", ends="\n", count=None, columns=None, names=NAMES):
    lines = ["CGATS.17", 'ORIGINATOR "made up for a test"', *head.splitlines()]
    lines += [f"NUMBER_OF_FIELDS {columns or len(fields) + 2}", "BEGIN_DATA_FORMAT"]
    lines += ["SAMPLE_ID\tSAMPLE_NAME\t" + "\t".join(fields), "END_DATA_FORMAT"]
    lines += [f"NUMBER_OF_SETS {len(rows) if count is None else count}", "BEGIN_DATA"]
    lines += [
        f'{place}\t"{name}"\t' + "\t".join(str(v) for v in row)
        for place, (name, row) in enumerate(zip(names, rows, strict=False), start=1)
    ]
    return (ends.join([*lines, "END_DATA"]) + ends).encode()


LAB = ("LAB_L", "LAB_A", "LAB_B")

FORMS = {
    "plain": cgats(LAB, LAB_ROWS),
    "crlf": cgats(LAB, LAB_ROWS, ends="\r\n"),
    "old_mac_ends": cgats(LAB, LAB_ROWS, ends="\r"),
    "decimal_comma": cgats(LAB, [[str(v).replace(".", ",") for v in row] for row in LAB_ROWS]),
    "comments": cgats(LAB, LAB_ROWS, head='# a note\nKEYWORD "OPERATOR"\nOPERATOR "B # C"   # who'),
    "bom": b"\xef\xbb\xbf" + cgats(LAB, LAB_ROWS),
    "utf16": cgats(LAB, LAB_ROWS).decode().encode("utf-16"),
    "said_d50": cgats(LAB, LAB_ROWS, head='ILLUMINANT "D50"\nOBSERVER "2"'),
    "weighting": cgats(LAB, LAB_ROWS, head='WEIGHTING_FUNCTION "ILLUMINANT, D50"\nWEIGHTING_FUNCTION2 "OBSERVER, 2"'),
    "second_table": b"CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_ID CMYK_C\nEND_DATA_FORMAT\nBEGIN_DATA\n1 50\nEND_DATA\n"
    + cgats(LAB, LAB_ROWS),
}


@pytest.mark.parametrize("form", FORMS)
def test_forms_read_alike(form):
    measured = read_cgats(FORMS[form])
    assert measured.names == NAMES
    assert measured.kind == "lab"
    np.testing.assert_allclose(measured.lab_d50, LAB_ROWS, atol=1e-9)


def test_rows_over_several_lines():
    rows = [[f"{a}\n{b}", c] for a, b, c in LAB_ROWS]
    np.testing.assert_allclose(read_cgats(cgats(LAB, rows, columns=5)).lab_d50, LAB_ROWS, atol=1e-9)


@pytest.mark.parametrize("scale", [1, 100], ids=["white_at_1", "white_at_100"])
def test_xyz(scale):
    xyz = colour.lab_to_xyz(LAB_ROWS, colour.WHITE_D50_XYZ) * scale
    measured = read_cgats(cgats(("XYZ_X", "XYZ_Y", "XYZ_Z"), xyz.round(6)))
    np.testing.assert_allclose(measured.lab_d50, LAB_ROWS, atol=2e-3)


def test_d65_is_adapted():
    measured = read_cgats(cgats(LAB, [(100, 0, 0), (50, 0, 0), (20, 0, 0)], head='ILLUMINANT "D65"'))
    # A grey stays a grey under any white.
    np.testing.assert_allclose(measured.lab_d50, [(100, 0, 0), (50, 0, 0), (20, 0, 0)], atol=1e-6)


def reflectances(step):
    """Smooth made-up spectra, 380 to 730 nm."""
    nm = np.arange(380, 731, step)
    bumps = [(450, 60, 0.7), (540, 70, 0.6), (640, 80, 0.8)]
    return nm, np.stack([0.05 + height * np.exp(-(((nm - at) / width) ** 2)) for at, width, height in bumps])


FIELD_NAMES = {
    "SPECTRAL_NM{}": 1.0,
    "SPECTRAL_{}": 100.0,
    "nm{}": 1.0,
    "NM_{}": 100.0,
    "R_{}": 1.0,
    "{}": 1.0,
    "SPECTRAL_NM_{}.00": 1.0,
}


@pytest.mark.parametrize("name", FIELD_NAMES)
def test_spectral_field_names(name):
    nm, values = reflectances(10)
    measured = read_cgats(cgats([name.format(each) for each in nm], (values * FIELD_NAMES[name]).round(6)))
    assert measured.kind == "spectral"
    assert measured.lab_d50[1, 1] < -20  # the middle one is green


@pytest.mark.parametrize(("step", "most"), [(10, 0.35), (20, 1.2)], ids=["10nm", "20nm"])
def test_spectra_as_an_independent_library_has_them(step, most):
    """Against colour-science's integration at 1 nm; the straight lines between bands cost what is allowed here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour as peer

        fine_nm, fine = reflectances(1)
        wanted = []
        for row in fine:
            spectrum = peer.SpectralDistribution(dict(zip(fine_nm, row, strict=True)))
            spectrum = spectrum.extrapolate(peer.SpectralShape(360, 830, 1))
            xyz = peer.sd_to_XYZ(
                spectrum, peer.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"], peer.SDS_ILLUMINANTS["D50"],
                method="Integration",
            )  # fmt: skip
            wanted.append(
                peer.XYZ_to_Lab(xyz / 100, peer.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"])
            )
    nm, values = reflectances(step)
    got = read_cgats(cgats([f"SPECTRAL_NM{each}" for each in nm], values)).lab_d50
    assert colour.delta_e00(got, np.array(wanted)).max() < most


def test_a_perfect_white_is_white():
    nm, values = reflectances(10)
    got = read_cgats(cgats([f"SPECTRAL_NM{each}" for each in nm], np.ones_like(values))).lab_d50
    np.testing.assert_allclose(got, [[100, 0, 0]] * 3, atol=1e-9)


def test_observer_table_is_the_published_one():
    import colour as peer

    table = observer_table()
    cmfs = peer.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    # Six decimals are kept.
    np.testing.assert_allclose(table[:, 1:4], [cmfs[nm] for nm in table[:, 0]], atol=5e-7)
    np.testing.assert_allclose(table[:, 4], [peer.SDS_ILLUMINANTS["D50"][nm] for nm in table[:, 0]], atol=5e-5)


WHOLE = cgats(LAB, LAB_ROWS)
BAD = {
    "empty": (b"", "no table"),
    "words": (b"these are only words\n", "no table"),
    "binary": (b"CGATS\0\1\2", "not text"),
    "cut_short": (WHOLE[: WHOLE.index(b"END_DATA\n")], "cut short"),
    "rows_missing": (cgats(LAB, LAB_ROWS, count=5), "says it has 5 samples but holds 3"),
    "columns_missing": (cgats(LAB, LAB_ROWS, columns=9), "says it has 9 columns but names 5"),
    "row_too_long": (cgats(LAB, [*LAB_ROWS[:2], (1, 2, 3, 4)]), "Row 3 of this file has 6 values, not 5"),
    "row_too_short": (cgats(LAB, [LAB_ROWS[0], (1, 2), LAB_ROWS[2]]), "Row 2 of this file has 4 values"),
    "no_number": (cgats(LAB, [LAB_ROWS[0], (1, "n/a", 3), LAB_ROWS[2]]), "row 2 of this file, LAB_A is 'n/a'"),
    "infinite": (cgats(LAB, [LAB_ROWS[0], (1, "inf", 3), LAB_ROWS[2]]), "LAB_A is 'inf'"),
    "no_colours": (cgats(("CMYK_C",), [(1,), (2,), (3,)]), "no Lab, XYZ or spectral"),
    "no_rows": (cgats(LAB, ()), "is empty"),
    "no_names": (WHOLE.replace(b"SAMPLE_ID", b"PLACE").replace(b"SAMPLE_NAME", b"NOTE"), "does not name its samples"),
    "other_light": (cgats(LAB, LAB_ROWS, head='ILLUMINANT "A"'), "illuminant A, not D50"),
    "other_observer": (cgats(LAB, LAB_ROWS, head='OBSERVER "10"'), "10 degree observer"),
    "impossible": (cgats(LAB, [(195, 0, 0), *LAB_ROWS[1:]]), "none that a print can have"),
    "gap": (
        cgats([f"NM{nm}" for nm in (*range(380, 500, 10), *range(550, 740, 10))], np.full((3, 31), 0.5)),
        "have gaps",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_bad_files_say_why(name):
    content, sentence = BAD[name]
    with pytest.raises(CalibrationInvalid, match=sentence) as caught:
        read_cgats(content)
    assert "CGATS" in caught.value.hint
