"""EQ against the published formulas.

R. Bristow-Johnson, *Cookbook formulae for audio EQ biquad filter coefficients* (W3C Audio Working
Group Note "Audio EQ Cookbook"): coefficients and magnitudes worked out from its formulas with 60
digits. W3C, *Web Audio API*, BiquadFilterNode, "Filters Characteristics": the same filters written
down a second time. S. Linkwitz, "Active Crossover Networks for Noncoincident Drivers", J. Audio
Eng. Soc. 24(1), 1976 (from memory). Butterworth pole angles: textbook, from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from chainkit.dsp import filters, levels

BUTTERWORTH_Q = 1 / math.sqrt(2)
BELL_1_OCTAVE = filters.q_from_bandwidth(1.0, 48000, 3000)


def shelf_q(slope, gain):
    """Q of a shelf of the slope S: 1/Q = sqrt((A + 1/A)(1/S − 1) + 2) in the cookbook."""
    A = 10 ** (gain / 40)
    return 1 / math.sqrt((A + 1 / A) * (1 / slope - 1) + 2)


# name: (design, its arguments, b0, b1, b2, a1, a2)
SETS = {
    "R1": (filters.bell, (48000, 1000, 6, 1),
           1.043953086990335, -1.8953207239365961, 0.86772228475985647,
           -1.8953207239365961, 0.91167537175019151),
    "R2": (filters.bell, (44100, 280, -3.5, 4),
           0.99798978845528572, -1.9862961197771554, 0.98988794603414485,
           -1.9862961197771554, 0.98787773448943057),
    "R3": (filters.bell, (48000, 3000, 3, BELL_1_OCTAVE),
           1.0431921547353574, -1.654301047709033, 0.74741039624043542,
           -1.654301047709033, 0.79060255097579281),
    "R4": (filters.bell, (44100, 18000, 6, 2),
           1.0876336227052526, 1.5285875878229509, 0.73626481816358965,
           1.5285875878229509, 0.82389844086884222),
    "R5": (filters.low_shelf, (48000, 200, 6, shelf_q(1.0, 6)),
           1.006445577851142, -1.968612352320032, 0.96312005827284091,
           -1.9688501073857255, 0.96932788105828934),
    "R6": (filters.low_shelf, (48000, 120, -4, 0.7),
           0.99741482762963934, -1.9748862410055677, 0.97766496239893017,
           -1.974829638252587, 0.97513639278155015),
    "R7": (filters.high_shelf, (48000, 8000, 3, 0.7),
           1.2535719386068845, -0.8855957889310236, 0.32241050574556469,
           -0.52613863888168149, 0.21652529430310704),
    "R8": (filters.high_shelf, (44100, 10000, -6, shelf_q(0.5, -6)),
           0.6904542150893287, 0.017909637231404394, -0.0050045293770185069,
           -0.31427908976136782, 0.017638412705082403),
    "R9": (filters.lowpass, (48000, 5500, BUTTERWORTH_Q),
           0.084625382257444061, 0.16925076451488812, 0.084625382257444061,
           -1.0255429036851947, 0.36404443271497091),
    "R10": (filters.highpass, (48000, 80, BUTTERWORTH_Q),
            0.99262254275611898, -1.985245085512238, 0.99262254275611898,
            -1.9851906578962613, 0.9852995131282146),
    "R11": (filters.highpass, (96000, 80, 0.5),
            0.99478449051133887, -1.9895689810226777, 0.99478449051133887,
            -1.9895553446695563, 0.98958261737579921),
    "R12": (filters.notch, (48000, 3150, 10),
            0.98035617043366229, -1.7963810340735915, 0.98035617043366229,
            -1.7963810340735915, 0.96071234086732459),
    "R14": (filters.allpass, (48000, 5500, BUTTERWORTH_Q),
            0.36404443271497091, -1.0255429036851947, 1.0,
            -1.0255429036851947, 0.36404443271497091),
}  # fmt: skip

IMPULSES = {
    "R1": [1.043953086990335, 0.08330519665377001, 0.07386603171768661, 0.06405252458144078,
           0.05405823533372958, 0.04406258456813592, 0.03422916788815961, 0.02470447809510439],
    "R7": [1.253571938606884, -0.2260431554121266, -0.06794956530846409, 0.01319316894681646,
           0.02165423557839746, 0.008536475244241273, -0.000197320265669048,
           -0.001952180630573414],
    "R10": [0.992622542756119, -0.01470008681555834, -0.01459044035808584, -0.01448081751115248,
            -0.01437122986069226, -0.014261688818489, -0.01415220562349419,
            -0.01404279134314428],
}  # fmt: skip

MAGNITUDE_FREQUENCIES = [100, 500, 1000, 2000, 5000, 8000, 10000, 16000]
MAGNITUDES = {
    "R1": [0.0651868872, 1.87938136, 6.0, 1.865991037,
           0.2485976136, 0.0844317688, 0.0476019087, 0.0093016780],
    "R2": [-0.0372238123, -0.1429915826, -0.0205395177, -0.0045131211,
           -0.0006496572, -0.0002181808, -0.0001200161, -0.0000189120],
    "R3": [0.0017507753, 0.0454725004, 0.2049775384, 1.270075288,
           0.8926312182, 0.2273605717, 0.1195336205, 0.0217022081],
    "R4": [0.0000072519, 0.0001814768, 0.0007281681, 0.0029493504,
           0.0201929315, 0.0624112559, 0.1193127369, 1.450207745],
    "R5": [5.62363001, 0.1607980597, 0.0103046063, 0.0006342217,
           0.0000143511, 0.0000017150, 0.0000005497, 0.0000000212],
    "R6": [-2.675329931, -0.0183555110, -0.0020351416, -0.0003455346,
           -0.0000452753, -0.0000153828, -0.0000086739, -0.0000016952],
    "R7": [0.0000079579, 0.0002294170, 0.0013003112, 0.0114153783,
           0.3392902604, 1.5, 2.253203081, 2.956160838],
    "R8": [-0.0004414253, -0.0110221226, -0.0439206974, -0.1730611316,
           -0.9818385725, -2.160784443, -3.0, -5.142183016],
    "R9": [-0.0000003972, -0.0002485600, -0.0039923330, -0.0645348832,
           -2.205480243, -8.153848492, -12.61884216, -26.52734294],
    "R10": [-1.490932962, -0.0028413044, -0.0001768758, -0.0000108662,
            -0.0000002458, -0.0000000294, -0.0000000094, -0.0000000004],
}  # fmt: skip

# name: (lower edge, upper edge) in Hz: half the gain of a bell, −3.01 dB of a notch
EDGES = {
    "R1": (618.579794943, 1614.31435306),
    "R2": (247.18625573, 317.167110297),
    "R3": (2115.97164516, 4226.00944326),
    "R4": (16950.7696939, 18853.5122174),
    "R12": (3000.44894302, 3306.55753706),
}


def designed(name):
    design, arguments, *_ = SETS[name]
    return design(*arguments)


def to_db(values):
    return levels.to_db(np.abs(values))


def level(sos, frequencies, rate):
    return to_db(filters.response(sos, frequencies, rate))


def impulse_response(section, frames):
    """The difference equation of the cookbook, one frame after the other."""
    b0, b1, b2, _, a1, a2 = section
    x = [0.0, 0.0, 1.0, *[0.0] * (frames - 1)]
    y = [0.0, 0.0]
    for n in range(2, frames + 2):
        y.append(b0 * x[n] + b1 * x[n - 1] + b2 * x[n - 2] - a1 * y[n - 1] - a2 * y[n - 2])
    return y[2:]


@pytest.mark.parametrize("name", SETS)
def test_coefficients(name):
    b0, b1, b2, a1, a2 = SETS[name][2:]
    np.testing.assert_allclose(designed(name), [[b0, b1, b2, 1.0, a1, a2]], rtol=0, atol=1e-14)


@pytest.mark.parametrize("name", IMPULSES)
def test_first_samples_of_the_impulse_response(name):
    actual = impulse_response(designed(name)[0], 8)
    np.testing.assert_allclose(actual, IMPULSES[name], rtol=0, atol=1e-14)


@pytest.mark.parametrize("name", MAGNITUDES)
def test_magnitude(name):
    actual = level(designed(name), MAGNITUDE_FREQUENCIES, SETS[name][1][0])
    np.testing.assert_allclose(actual, MAGNITUDES[name], rtol=0, atol=1e-6)


@pytest.mark.parametrize("name", EDGES)
def test_edges_of_the_band(name):
    rate, _, *gain, _ = SETS[name][1]
    expected = gain[0] / 2 if gain else -10 * math.log10(2)
    np.testing.assert_allclose(level(designed(name), EDGES[name], rate), expected, atol=1e-8)


@pytest.mark.parametrize("rate", [44100, 48000, 96000, 192000])
@pytest.mark.parametrize(("frequency", "gain", "q"), [(80, 9, 0.5), (1000, -12, 4), (16000, 3, 1)])
def test_exact_levels(rate, frequency, gain, q):
    at = [0.0, frequency, rate / 2]
    bell = level(filters.bell(rate, frequency, gain, q), at, rate)
    low = level(filters.low_shelf(rate, frequency, gain, q), at, rate)
    high = level(filters.high_shelf(rate, frequency, gain, q), at, rate)
    np.testing.assert_allclose(bell, [0, gain, 0], atol=1e-9)
    np.testing.assert_allclose(low, [gain, gain / 2, 0], atol=1e-9)
    np.testing.assert_allclose(high, [0, gain / 2, gain], atol=1e-9)


@pytest.mark.parametrize("q", [0.5, BUTTERWORTH_Q, 3.0])
@pytest.mark.parametrize("design", [filters.lowpass, filters.highpass])
def test_pass_filter_has_its_q_as_gain_at_its_frequency(design, q):
    expected = 20 * math.log10(q)
    assert level(design(48000, 5500, q), 5500, 48000) == pytest.approx(expected, abs=1e-9)


def test_pass_filters_have_exact_zeros():
    for frequency in (20, 5500, 18000):
        low = filters.lowpass(48000, frequency, 1)
        high = filters.highpass(48000, frequency, 1)
        assert filters.response(high, 0.0, 48000) == 0
        assert abs(filters.response(low, 24000.0, 48000)) < 1e-30


def test_notch_is_zero_at_its_frequency():
    assert abs(filters.response(filters.notch(48000, 3150, 10), 3150, 48000)) < 1e-14


@pytest.mark.parametrize(("gain", "q"), [(6, 1), (12, 4), (18, 0.4)])
def test_boost_then_cut_of_a_bell_is_a_wire(gain, q):
    boost = filters.bell(48000, 1000, gain, q)[0]
    cut = filters.bell(48000, 1000, -gain, q)[0]
    np.testing.assert_allclose(boost[:3] / boost[0], cut[3:], atol=1e-14)
    np.testing.assert_allclose(cut[:3] / cut[0], boost[3:], atol=1e-14)


def true_width(rate, frequency, q):
    """Octaves between the half-gain edges, through the bilinear transform."""
    middle = math.tan(math.pi * frequency / rate)
    lower, upper = (
        math.atan(middle * (math.sqrt(1 + 1 / (4 * q * q)) + sign / (2 * q))) for sign in (-1, 1)
    )
    return math.log2(upper / lower)


# The cookbook's bandwidth is an approximation: within 1.1 % up to an octave and 12 kHz at 48 kHz,
# 7.5 % narrow for three octaves at 8 kHz.
@pytest.mark.parametrize(
    ("octaves", "frequency", "least", "most"),
    [(1 / 3, 1000, 0.999, 1.001), (1, 3000, 0.9975, 0.9985), (1, 12000, 0.989, 1.011),
     (0.5, 12000, 0.989, 1.011), (2, 6000, 0.968, 0.978), (3, 8000, 0.92, 0.93)],
)  # fmt: skip
def test_bandwidth_is_kept_near_half_the_rate(octaves, frequency, least, most):
    q = filters.q_from_bandwidth(octaves, 48000, frequency)
    assert least < true_width(48000, frequency, q) / octaves < most


def test_bandwidth_of_the_prototype():
    assert filters.q_from_bandwidth(1.0) == pytest.approx(math.sqrt(2), abs=1e-12)
    assert filters.q_from_bandwidth(1.0, 48000, 3000) == pytest.approx(1.37669418242, abs=1e-11)


@pytest.mark.parametrize("where", [(), (48000, 3000), (48000, 20000), (44100, 22000)])
@pytest.mark.parametrize("q", [0.05, 0.7, 1.37669418242, 100.0])
def test_bandwidth_of_a_q_gives_that_q(where, q):
    octaves = filters.bandwidth_from_q(q, *where)
    assert filters.q_from_bandwidth(octaves, *where) == pytest.approx(q, rel=1e-12)


# ------------------------------------------------------------------------------ Web Audio API
def web_audio(kind, rate, frequency, q, gain=0.0):
    """The formulas of "Filters Characteristics", with Q as that page means it.

    There, Q of low-pass and high-pass is in dB, and the shelves have S = 1 whatever Q says.
    """
    A = 10 ** (gain / 40)
    w0 = 2 * math.pi * frequency / rate
    c = math.cos(w0)
    alpha_q = math.sin(w0) / (2 * q)
    alpha_qdb = math.sin(w0) / (2 * 10 ** (q / 20))
    alpha_s = math.sin(w0) / 2 * math.sqrt((A + 1 / A) * (1 / 1 - 1) + 2)
    shelf = 2 * alpha_s * math.sqrt(A)
    b, a = {
        "lowpass": (((1 - c) / 2, 1 - c, (1 - c) / 2), (1 + alpha_qdb, -2 * c, 1 - alpha_qdb)),
        "highpass": (((1 + c) / 2, -1 - c, (1 + c) / 2), (1 + alpha_qdb, -2 * c, 1 - alpha_qdb)),
        "notch": ((1, -2 * c, 1), (1 + alpha_q, -2 * c, 1 - alpha_q)),
        "allpass": ((1 - alpha_q, -2 * c, 1 + alpha_q), (1 + alpha_q, -2 * c, 1 - alpha_q)),
        "bell": (
            (1 + alpha_q * A, -2 * c, 1 - alpha_q * A),
            (1 + alpha_q / A, -2 * c, 1 - alpha_q / A),
        ),
        "low_shelf": (
            (A * (A + 1 - (A - 1) * c + shelf), 2 * A * (A - 1 - (A + 1) * c),
             A * (A + 1 - (A - 1) * c - shelf)),
            (A + 1 + (A - 1) * c + shelf, -2 * (A - 1 + (A + 1) * c),
             A + 1 + (A - 1) * c - shelf),
        ),
        "high_shelf": (
            (A * (A + 1 + (A - 1) * c + shelf), -2 * A * (A - 1 + (A + 1) * c),
             A * (A + 1 + (A - 1) * c - shelf)),
            (A + 1 - (A - 1) * c + shelf, 2 * (A - 1 - (A + 1) * c),
             A + 1 - (A - 1) * c - shelf),
        ),
    }[kind]  # fmt: skip
    return np.array([[*b, *a]]) / a[0]


@pytest.mark.parametrize("frequency", [30, 1000, 15000])
@pytest.mark.parametrize("kind", ["notch", "allpass"])
def test_web_audio_shapes_without_gain(kind, frequency):
    design = getattr(filters, kind)
    expected = web_audio(kind, 48000, frequency, 2.5)
    np.testing.assert_allclose(design(48000, frequency, 2.5), expected, atol=2e-14)


@pytest.mark.parametrize("frequency", [30, 1000, 15000])
@pytest.mark.parametrize("kind", ["lowpass", "highpass"])
def test_web_audio_writes_the_q_of_pass_filters_in_db(kind, frequency):
    design = getattr(filters, kind)
    expected = web_audio(kind, 48000, frequency, 20 * math.log10(1.8))
    np.testing.assert_allclose(design(48000, frequency, 1.8), expected, atol=2e-14)


@pytest.mark.parametrize("gain", [-15, 6])
@pytest.mark.parametrize("kind", ["low_shelf", "high_shelf"])
def test_web_audio_shelves_have_the_slope_one(kind, gain):
    design = getattr(filters, kind)
    expected = web_audio(kind, 48000, 2000, 7.0, gain)
    actual = design(48000, 2000, gain, shelf_q(1.0, gain))
    np.testing.assert_allclose(actual, expected, atol=2e-14)
    assert not np.allclose(design(48000, 2000, gain, 7.0), expected, atol=1e-3)


@pytest.mark.parametrize("gain", [-15, 6])
def test_web_audio_bell(gain):
    expected = web_audio("bell", 48000, 2000, 3.0, gain)
    np.testing.assert_allclose(filters.bell(48000, 2000, gain, 3.0), expected, atol=2e-14)


# -------------------------------------------------------------------------------- Butterworth
SECTION_QS = {
    1: [],
    2: [0.70710678],
    3: [1.0],
    4: [0.54119610, 1.30656296],
    5: [0.61803399, 1.61803399],
    6: [0.51763809, 0.70710678, 1.93185165],
    7: [0.55495813, 0.80193774, 2.24697960],
    8: [0.50979558, 0.60134489, 0.89997622, 2.56291545],
}

# High-pass at 80 Hz, 48 kHz: dB at 20, 40, 80 and 160 Hz
HIGHPASS_80 = {
    1: [-12.304559, -6.989748, -3.010300, -0.969053],
    2: [-24.099479, -12.304601, -3.010300, -0.263261],
    3: [-36.124883, -18.129309, -3.010300, -0.067323],
    4: [-48.165163, -24.099568, -3.010300, -0.016928],
    6: [-72.247646, -36.125017, -3.010300, -0.001060],
    8: [-96.330194, -48.165342, -3.010300, -0.000066],
}


@pytest.mark.parametrize("order", SECTION_QS)
def test_butterworth_section_qs(order):
    np.testing.assert_allclose(filters.butterworth_qs(order), SECTION_QS[order], atol=1e-8)


@pytest.mark.parametrize("order", HIGHPASS_80)
def test_butterworth_highpass_magnitude(order):
    sos = filters.butterworth("highpass", 48000, 80, order)
    np.testing.assert_allclose(
        level(sos, [20, 40, 80, 160], 48000), HIGHPASS_80[order], rtol=0, atol=1e-6
    )


@pytest.mark.parametrize("order", range(1, 9))
@pytest.mark.parametrize("kind", ["lowpass", "highpass"])
def test_butterworth_is_its_formula(kind, order):
    """|H|² = 1 / (1 + W^±2n), W = tan(πf/fs) / tan(πf0/fs)."""
    f = np.geomspace(20, 0.49 * 48000, 60)
    warped = np.tan(np.pi * f / 48000) / np.tan(np.pi * 300 / 48000)
    sign = 1 if kind == "lowpass" else -1
    expected = -10 * np.log10(1 + warped ** (sign * 2 * order))
    sos = filters.butterworth(kind, 48000, 300, order)
    assert sos.shape == ((order + 1) // 2, 6)
    np.testing.assert_allclose(level(sos, f, 48000), expected, rtol=0, atol=1e-9)


# --------------------------------------------------------------------------- Linkwitz–Riley
# 5500 Hz at 48 kHz: Hz, low dB, high dB, phase of the sum in degrees
LINKWITZ_RILEY = [
    (1000, -0.007985, -60.735143, -28.5014),
    (2000, -0.129070, -36.624251, -58.8152),
    (2750, -0.461962, -25.714126, -83.4804),
    (4000, -1.985893, -13.791206, -127.8062),
    (7000, -11.926006, -2.537515, 137.7050),
    (8000, -16.307697, -1.442056, 116.0941),
    (11000, -29.679309, -0.289783, 73.2963),
    (16000, -53.054686, -0.019345, 35.7529),
]


@pytest.mark.parametrize(("frequency", "low_db", "high_db", "phase"), LINKWITZ_RILEY)
def test_linkwitz_riley_bands(frequency, low_db, high_db, phase):
    low, high = filters.linkwitz_riley(48000, 5500)
    total = filters.response(low, frequency, 48000) + filters.response(high, frequency, 48000)
    assert level(low, frequency, 48000) == pytest.approx(low_db, abs=1e-5)
    assert level(high, frequency, 48000) == pytest.approx(high_db, abs=1e-5)
    assert np.degrees(np.angle(total)) == pytest.approx(phase, abs=1e-4)


@pytest.mark.parametrize("edge", [1000, 5500, 16000])
def test_linkwitz_riley_sums_flat_to_the_allpass(edge):
    low, high = filters.linkwitz_riley(48000, edge)
    f = np.geomspace(1, 24000, 400)
    total = filters.response(low, f, 48000) + filters.response(high, f, 48000)
    np.testing.assert_allclose(to_db(total), 0, atol=1e-9)
    allpass = filters.response(filters.allpass(48000, edge, BUTTERWORTH_Q), f, 48000)
    np.testing.assert_allclose(total, allpass, atol=1e-12)


def test_linkwitz_riley_crosses_at_minus_six_in_phase():
    low, high = (filters.response(s, 5500, 48000) for s in filters.linkwitz_riley(48000, 5500))
    assert to_db(low) == pytest.approx(-20 * math.log10(2), abs=1e-9)
    assert abs(low - high) < 1e-12
    assert abs(np.angle(low + high)) == pytest.approx(math.pi, abs=1e-11)
