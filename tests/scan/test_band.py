"""Scans of a band: ST-001 6.2.2, 2.4.24 (date of birth) and 2.4.25 (patient number)."""

import pytest

from service.scan.band import read_band_scans

NUMBER, BORN = "&#0106M41927", "=#0119680309"


class TestBandScans:
    """What a band's scans hold; anything else stays as it came and is compared as it is."""

    def test_a_patient_number(self) -> None:
        found = read_band_scans([NUMBER])
        assert (found.scans, found.numbers) == ((NUMBER,), ((NUMBER, "M41927"),))

    def test_a_date_of_birth_is_no_number(self) -> None:
        found = read_band_scans([BORN])
        assert (found.scans, found.numbers, found.birth_dates) == ((), (), ("1968-03-09",))

    def test_both_in_one_symbol(self) -> None:
        """Structure 023 around the two."""
        whole = f"=+02000{NUMBER}{BORN}"
        found = read_band_scans([whole])
        assert (found.numbers, found.birth_dates) == (((whole, "M41927"),), ("1968-03-09",))

    @pytest.mark.parametrize("place", ["02", "03", "04", "05", "06", "07", "08", "09", "10"])
    def test_a_number_from_elsewhere_is_none(self, place: str) -> None:
        """A label on the container or an order form scanned in place of the band."""
        raws = [f"&#{place}06M41927", f"=#{place}19680309"]
        found = read_band_scans(raws)
        assert (found.scans, found.numbers, found.birth_dates) == (tuple(raws), (), ())

    @pytest.mark.parametrize("place", ["00", "01", "80"])
    def test_the_band_and_what_a_site_calls_it(self, place: str) -> None:
        raw = f"&#{place}06M41927"
        assert read_band_scans([raw]).numbers == ((raw, "M41927"),)

    @pytest.mark.parametrize(
        "raw",
        ["0061001", "=A99992112345600", "&#0107M41927", f"=+02000{NUMBER}=%6200", "=%6200"],
    )
    def test_whatever_else_was_scanned_stays_as_it_is(self, raw: str) -> None:
        found = read_band_scans([raw])
        assert (found.scans, found.numbers, found.birth_dates) == ((raw,), (), ())
