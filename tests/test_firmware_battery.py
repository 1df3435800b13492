"""The battery estimate, worked by hand beside each check."""

import importlib.util
import subprocess
import sys

import pytest

from tests.boards import FIRMWARE

_SPEC = importlib.util.spec_from_file_location("battery", FIRMWARE / "battery.py")
assert _SPEC is not None
assert _SPEC.loader is not None
battery = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(battery)


def test_the_mean_current_is_the_sum_of_its_parts():
    # sleep 20.1; 1.2 s of 40 mA in 900 s: 53.333; 6 s of 120 mA in 21600 s: 33.333
    assert battery.mean_ua(every_s=900, send_s=21600) == pytest.approx(106.767, abs=0.001)
    # every upload fails: 30 s of 120 mA in 21600 s: 166.667
    assert battery.mean_ua(every_s=900, send_s=21600, fails=1) == pytest.approx(240.1, abs=0.001)


def test_the_days_of_a_cell():
    # 2600 mAh x 0.85 x 0.75 = 1657.5; lying 2600 x 0.2 / 8760 h = 0.05936 mA; with 0.1 mA: 10401 h
    left = battery.days(cell="li-ion-18650", temperature_c=-10, current_ua=100)
    assert left == pytest.approx(1657.5 / (0.1 + 0.0593607) / 24, rel=1e-6)
    assert left == pytest.approx(433.4, abs=0.1)


@pytest.mark.parametrize(
    ("temperature_c", "share"),
    [(20, 1.0), (40, 1.0), (10, 0.94), (-15, 0.675), (-20, 0.6), (-20.1, 0.0), (99, 1.0)],
)
def test_cold_takes_its_share_on_straight_lines(temperature_c, share):
    assert battery.capacity_left("li-ion-18650", temperature_c) == pytest.approx(share)


@pytest.mark.parametrize("cell", sorted(battery.CELLS))
def test_no_cell_gains_in_the_cold(cell):
    shares = [battery.capacity_left(cell, at) for at in range(-45, 60)]
    assert shares == sorted(shares)
    assert 0 <= shares[0] <= shares[-1] == 1


@pytest.mark.parametrize(
    ("every_s", "send_s", "fails"), [(0, 900, 0), (900, 600, 0), (900, 900, 1.5)]
)
def test_what_cannot_be_is_refused(every_s, send_s, fails):
    with pytest.raises(ValueError, match="at most once a sample"):
        battery.mean_ua(every_s=every_s, send_s=send_s, fails=fails)


def test_the_command_says_days_and_what_they_are_worth():
    command = [sys.executable, FIRMWARE / "battery.py", "--every", "15m", "--send", "6h"]
    command += ["--cell", "3-alkaline-aa", "--at", "-25", "--fails", "0"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert "107 uA on the mean" in done.stdout
    # 2500 mAh x 0.85 / (0.106767 + 2500 x 0.03 / 8760) = 18424 h
    assert "3-alkaline-aa at 20 degC: 768 days" in done.stdout
    assert "3-alkaline-aa at -25 degC: 0 days" in done.stdout
    assert "outside its range" in done.stdout
    assert "factor of two" in done.stdout
    wrong = subprocess.run([*command, "--send", "5"], capture_output=True, text=True, check=False)
    assert wrong.returncode == 2
