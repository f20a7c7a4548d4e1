"""Every kind of bad file, with the message as the user reads it."""

import pytest

from stripwise.errors import ScenarioError
from stripwise.scenario.loading import load

COVER = '{ family = "normal", mean = "55 mm", sd = "8 mm" }'
AGEING = '{ family = "beta", mean = 0.30, sd = 0.12, low = 0, high = 1 }'
CRITICAL = '{ family = "beta", mean = 0.6, sd = 0.15, low = 0.2, high = 2.0 }'
SURFACE = '{ family = "lognormal", mean = 2.0, cov = 0.35 }'
DIFFUSIVITY = '{ family = "normal", mean = "5.0e-12 m^2/s", cov = 0.2 }'
FOLLOW_UP = 'strip_age = "24 h"'


def only(path):
    with pytest.raises(ScenarioError) as caught:
        load(path)
    (problem,) = caught.value.problems
    return problem


def test_missing_file(tmp_path):
    path = tmp_path / "no.toml"
    assert only(path) == f"no.toml: there is no such file; check the path {path}"


def test_folder(tmp_path):
    assert only(tmp_path).endswith(": is a folder; give the scenario file inside it")


def test_empty_file(tmp_path):
    path = tmp_path / "empty.toml"
    path.write_text(" \n")
    assert only(path) == "empty.toml: is empty; `stripwise new` writes a starter file"


def test_a_file_of_100_mb_is_refused_without_reading_it(tmp_path):
    path = tmp_path / "large.toml"
    with path.open("wb") as stream:
        stream.truncate(100_000_000)
    assert only(path) == "large.toml: is larger than 1 MB, the limit of a scenario file"


def test_not_utf8(tmp_path):
    path = tmp_path / "latin.toml"
    path.write_bytes(b"a = 1\ntitle = '\xe4'\n")
    assert only(path) == "latin.toml: is not UTF-8 text (line 2)"


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("title = \n", "line 1"),
        ("a = 1\na = 2\n", "line 2"),
        ("a = " + "[" * 5000, "nested too deeply"),
        ("[" + ".".join("a" * 9000) + "]", "nested too deeply"),
        ("a = " + "1" * 5000, "not valid TOML: a whole number has thousands of digits"),
        ("[a.b]\n[a.b]\n", "not valid TOML: the table [a.b] stands twice (at line 2"),
        ("a = 1\na = 2\n", "not valid TOML: a key stands twice (at line 2"),
        ("%PDF-1.4", "line 1"),
    ],
)
def test_not_toml(tmp_path, text, part):
    path = tmp_path / "bad.toml"
    path.write_text(text)
    problem = only(path)
    assert problem.startswith("bad.toml: is n")
    assert part in problem


# old text of the file, new text, the one message
CASES = {
    "unknown key": (
        "service_life =",
        "servise_life =",
        'target.servise_life = "50 yr": unknown key; allowed here: service_life, probability, '
        "reliability_index, confidence; the nearest spelling is 'service_life' (line 6)",
    ),
    "unknown key of an input": (
        COVER,
        '{ family = "normal", mean = "55 mm", sdd = "8 mm", sd = "8 mm" }',
        'reinforcement.cover.sdd = "8 mm": unknown key; allowed here: family, value, mean, sd, '
        "cov, low, high, values, probabilities, kind, between_walls, shared, source, unusual, "
        "plausible, from, nominal, bias, "
        "mean_sd; the nearest spelling is 'sd' (line 22)",
    ),
    "section that is no table": (
        "[choices]",
        "choices = 3\n[choice]",
        None,
    ),
    "wrong unit": (
        '"55 mm", sd',
        '"55 d", sd',
        "reinforcement.cover.mean = \"55 d\": 'd' is no unit of a length; use mm, cm, m, in, ft "
        "(line 22)",
    ),
    "unit in capitals": (
        COVER,
        '"50 M"',
        "reinforcement.cover = \"50 M\": 'M' is no unit of a length; use mm, cm, m, in, ft; the "
        "nearest spelling is 'm' (line 22)",
    ),
    "missing unit": (
        COVER,
        "50",
        'reinforcement.cover = 50: needs the unit of a length, such as "50 mm" (line 22)',
    ),
    "expression": (
        COVER,
        '"9**9**9 mm"',
        'reinforcement.cover = "9**9**9 mm": is not a number followed by a unit (line 22)',
    ),
    "negative sd": (
        'sd = "8 mm"',
        'sd = "-8 mm"',
        'reinforcement.cover.sd = "-8 mm": must be above 0 (line 22)',
    ),
    "sd too large for the bounds": (
        CRITICAL,
        '{ family = "beta", mean = 0.6, sd = 0.9, low = 0.2, high = 2.0 }',
        # sqrt((0.6 - 0.2)(2.0 - 0.6)) = 0.7483, the closed form of the largest sd of a beta
        "reinforcement.critical_chloride.sd = 0.9: must be below 0.7483 for this mean between these "
        "bounds (in %) (line 23)",
    ),
    "low above high": (
        CRITICAL,
        '{ family = "beta", mean = 0.6, sd = 0.15, low = 2.0, high = 0.2 }',
        "reinforcement.critical_chloride.low = 2.0: must be below high = 0.2 (line 23)",
    ),
    "nan": (
        "mean = 0.6,",
        "mean = nan,",
        "reinforcement.critical_chloride.mean = nan: must be a finite number (line 23)",
    ),
    "infinity": (
        "mean = 0.6,",
        "mean = inf,",
        "reinforcement.critical_chloride.mean = inf: must be a finite number (line 23)",
    ),
    "text for a number": (
        "probability = 0.10",
        'probability = "ten"',
        'target.probability = "ten": is not a number followed by a unit (line 7)',
    ),
    "two targets": (
        "probability = 0.10",
        "probability = 0.10\nreliability_index = 1.3",
        "target.reliability_index = 1.3: is given beside probability; give exactly one of them "
        "(line 8)",
    ),
    "no target": (
        "probability = 0.10",
        "",
        "target.probability: is missing; or give reliability_index (line 5)",
    ),
    "certain target": (
        "probability = 0.10",
        "probability = 1",
        "target.probability = 1: must be above 0 and below 1 (line 7)",
    ),
    "target beyond the horizon": (
        'service_life = "50 yr"',
        'service_life = "150 yr"',
        'target.service_life = "150 yr": must not be beyond sampling.horizon = 100 yr; raise the '
        "horizon (line 6)",
    ),
    "endless horizon": (
        'horizon = "100 yr"',
        'horizon = "1e9 yr"',
        'sampling.horizon = "1e9 yr": must be between 1 yr and 500 yr (line 46)',
    ),
    "target that no curve reaches": (
        "probability = 0.10",
        "probability = 1e-300",
        # Phi(-8) and Phi(3): the same limits as those of reliability_index
        "target.probability = 1e-300: must be between 6.2e-16 and 0.9987 (line 7)",
    ),
    "below absolute zero, meant": (
        'temperature = "10 degC"',
        'temperature = { value = "-300 degC", unusual = true }',
        'exposure.temperature.value = "-300 degC": the mean must be -60 degC to 80 degC, even if '
        "it is meant to be unusual (line 10)",
    ),
    "absolute zero, meant": (
        'temperature = "10 degC"',
        'temperature = { value = "0 K", unusual = true }',
        'exposure.temperature.value = "0 K": the mean must be -60 degC to 80 degC, even if '
        "it is meant to be unusual (line 10)",
    ),
    "temperature without a limit, meant": (
        'temperature = "10 degC"',
        'temperature = { family = "normal", mean = "10 degC", sd = "200 degC", unusual = true }',
        'exposure.temperature.sd = "200 degC": the sd must be 0.02831 K to 30 K; below that give '
        "a fixed value (line 10)",
    ),
    "endless cover, meant": (
        COVER,
        '{ family = "normal", mean = "1e300 mm", sd = "8 mm", unusual = true }',
        'reinforcement.cover.mean = "1e300 mm": must be 0 or 1e-100 to 1e+100 in size (in mm) '
        "(line 22)",
    ),
    "next to no scatter": (
        'sd = "8 mm"',
        'sd = "1e-300 mm"',
        'reinforcement.cover.sd = "1e-300 mm": must be 0 or 1e-100 to 1e+100 in size (in mm) '
        "(line 22)",
    ),
    "formula as a source": (
        COVER,
        '{ family = "normal", mean = "55 mm", sd = "8 mm", source = "=1+1" }',
        "reinforcement.cover.source = \"=1+1\": must not start with '=': a spreadsheet would read "
        "it as a formula (line 22)",
    ),
    "full-width formula as a name": (
        'name = "Forms 12 h"',
        'name = "\uff1dcmd()"',
        "strategy[1].name = \"\uff1dcmd()\": must not start with '\uff1d': a spreadsheet would "
        "read it as a formula (line 31)",
    ),
    "no points": (
        "points = 256",
        "points = 0",
        "sampling.points = 0: must be a power of two between 64 and 4194304, such as 16384 "
        "(line 44)",
    ),
    "too many points": (
        "points = 256",
        f"points = {2**40}",
        "sampling.points = 1099511627776: must be a power of two between 64 and 4194304, such as "
        "16384 (line 44)",
    ),
    "points no power of two": (
        "points = 256",
        "points = 1000",
        "sampling.points = 1000: must be a power of two between 64 and 4194304, such as 16384 "
        "(line 44)",
    ),
    "fractional points": (
        "points = 256",
        "points = 256.0",
        "sampling.points = 256.0: must be a whole number (line 44)",
    ),
    "too few repeats": (
        "repeats = 8",
        "repeats = 2",
        "sampling.repeats = 2: must be between 8 and 64 (line 45)",
    ),
    "negative seed": (
        "repeats = 8",
        "repeats = 8\nseed = -1",
        "sampling.seed = -1: must be at least 0 and below 2^63 (line 46)",
    ),
    "strip age 0": (
        'strip_age = "12 h"',
        'strip_age = "0 h"',
        'strategy[1].strip_age = "0 h": must be above 0 h (line 32)',
    ),
    "strip age of ten years": (
        'strip_age = "12 h"',
        'strip_age = { value = "10 yr", unusual = true }',
        'strategy[1].strip_age.value = "10 yr": the mean must be 1 h to 60 d, even if it is meant to '
        "be unusual (line 32)",
    ),
    "two strategies of one name": (
        'name = "Forms 12 h"',
        'name = "Forms 24 h"',
        'strategy[2].name = "Forms 24 h": is used twice; names must differ in letters or digits '
        "(line 35)",
    ),
    "two names with one slug": (
        'name = "Forms 12 h"',
        'name = "forms 24-H"',
        'strategy[2].name = "Forms 24 h": gives the same file name as "forms 24-H"; names must '
        "differ in letters or digits (line 35)",
    ),
    "formula as a name": (
        'name = "Forms 12 h"',
        'name = "=cmd()"',
        "strategy[1].name = \"=cmd()\": must not start with '=': a spreadsheet would read it as a "
        "formula (line 31)",
    ),
    "control character in a name": (
        'name = "Forms 12 h"',
        'name = "Forms \\u001b[2J"',
        'strategy[1].name = "Forms \\u001b[2J": holds the control character U+001B; use printable '
        "text (line 31)",
    ),
    "reference does not exist": (
        'reference_strategy = "Forms 24 h"',
        'reference_strategy = "Forms 25 h"',
        'reference_strategy = "Forms 25 h": must be one of "Forms 12 h", "Forms 24 h"; the nearest '
        'spelling is "Forms 24 h" (line 3)',
    ),
    "no basis": (
        'chloride_basis = "binder"',
        "",
        'exposure.chloride_basis: is missing; "binder" or "concrete": the mass that the per cents '
        "refer to (line 9)",
    ),
    "basis without its masses": (
        'chloride_basis = "binder"',
        'chloride_basis = "concrete"\nbinder_content = "350 kg/m^3"',
        'exposure.density: is missing; chloride_basis = "concrete" needs it, such as '
        '"2350 kg/m^3" (line 9)',
    ),
    "content by volume without binder content": (
        "initial_chloride = 0.1",
        'initial_chloride = "0.3 kg/m^3"',
        'exposure.initial_chloride = "0.3 kg/m^3": a content by volume needs '
        "exposure.binder_content to convert (line 13)",
    ),
    "two temperatures": (
        'temperature = "10 degC"',
        'temperature = "10 degC"\nmonthly_temperature = ["1 degC"]',
        None,
    ),
    "eleven months": (
        'temperature = "10 degC"\nchl',
        "monthly_temperature = [" + '"9 degC",' * 11 + "]\nchl",
        "exposure.monthly_temperature: has 11 values; must have 12, from January on (line 10)",
    ),
    "share of a temperature": (
        'temperature = "10 degC"\nchl',
        'temperature = { family = "normal", mean = "10 degC", cov = 0.1 }\nchl',
        "exposure.temperature.cov = 0.1: a share of a temperature has no meaning; give sd "
        "(line 10)",
    ),
    "cover in metres": (
        COVER,
        '"50 m"',
        'reinforcement.cover = "50 m": the usual mean is 10 mm to 300 mm; check the unit, or write '
        "unusual = true in its table if it is meant (line 22)",
    ),
    "diffusivity off by a thousand": (
        DIFFUSIVITY,
        '"8.9e-9 m^2/s"',
        'concrete.diffusivity = "8.9e-9 m^2/s": the usual mean is 0.05e-12 to 100e-12 m^2/s (1.6 '
        "to 3,160 mm^2/yr); check the unit, or write unusual = true in its table if it is meant "
        "(line 17)",
    ),
    "doubt about the cover": (
        COVER,
        '{ family = "normal", mean = "55 mm", sd = "8 mm", kind = "knowledge" }',
        None,
    ),
    "lognormal ageing exponent": (
        AGEING,
        '{ family = "lognormal", mean = 0.3, sd = 0.1 }',
        'concrete.ageing_exponent.family = "lognormal": reaches up to any height, above 1; use '
        "beta with low = 0 and high = 1, or a normal, which is cut there (line 19)",
    ),
    "uniform cover below 0": (
        COVER,
        '{ family = "uniform", mean = "20 mm", sd = "20 mm" }',
        # a uniform reaches sqrt(3) sd to each side: 20 - 34.64 = -14.64 mm
        'reinforcement.cover.family = "uniform": reaches down to -14.64 mm, below 0 mm; use '
        "lognormal, or beta with bounds, or a normal, which is cut there (line 22)",
    ),
    "beta beyond the physical bound": (
        AGEING,
        '{ family = "beta", mean = 0.3, sd = 0.1, low = 0, high = 1.5 }',
        "concrete.ageing_exponent.high = 1.5: must be between 0 and 1; move the bound of the beta "
        "(line 19)",
    ),
    "ageing exponent above 1": (
        AGEING,
        "1.2",
        "concrete.ageing_exponent = 1.2: must be between 0 and 1 (line 19)",
    ),
    "unknown family": (
        '"lognormal", mean = 2.0',
        '"log-normal", mean = 2.0',
        'exposure.surface_chloride.family = "log-normal": must be one of "normal", "lognormal", '
        '"beta", "uniform", "triangular", "weibull", "gamma", "fixed", "empirical"; the nearest spelling is '
        '"lognormal" (line 12)',
    ),
    "bias of another input": (
        SURFACE,
        '{ family = "lognormal", mean = 2.0, cov = 0.35, bias = 0.1 }',
        "exposure.surface_chloride.bias = 0.1: unknown key; allowed here: family, value, mean, sd, "
        "cov, low, high, values, probabilities, kind, between_walls, shared, source, unusual, "
        "plausible, from, basis; the nearest "
        "spelling is 'basis' (line 12)",
    ),
    "penalty from a file": (
        'strip_age = "12 h"',
        'strip_age = "12 h"\npenalty = { from = "../secret.toml" }',
        'strategy[1].penalty.from = "../secret.toml": leads out of the scenario\'s folder; move '
        "the file there, or allow it with --allow-outside (line 33)",
    ),
    "unknown follow-up": (
        FOLLOW_UP,
        FOLLOW_UP + '\nfollow_up = { method = "sheets", duration = "3 d" }',
        'strategy[2].follow_up.method = "sheets": must be one of "none", "sheet", "membrane", '
        '"wet covering", "kept wet"; the nearest spelling is "sheet" (line 37)',
    ),
    "follow-up without duration": (
        FOLLOW_UP,
        FOLLOW_UP + '\nfollow_up = { method = "sheet" }',
        "strategy[2].follow_up.duration: is missing; how long the sheet stays, such as "
        '"3 d" (line 37)',
    ),
    "cover choice upside down": (
        'low = "45 mm"',
        'low = "85 mm"',
        'choices.cover.low = "85 mm": must be below high = "75 mm" (line 39)',
    ),
    "no follow-up to choose": (
        'follow_up = [ { method = "none" } ]',
        "follow_up = []",
        "choices.follow_up: is missing; a list with at least one way of curing after stripping, such as "
        '{ method = "none" } (line 41)',
    ),
    "unknown units": (
        "[sampling]",
        '[report]\nunits = "imperial"\n[sampling]',
        'report.units = "imperial": must be one of "SI", "US" (line 44)',
    ),
}


@pytest.mark.parametrize("case", [key for key, value in CASES.items() if value[2]])
def test_one_mistake_gives_one_message(wall, case):
    old, new, message = CASES[case]
    assert wall.problems((old, new)) == [f"wall.toml: {message}"]


@pytest.mark.parametrize(
    ("case", "parts"),
    [
        ("section that is no table", ["is not valid TOML"]),
        ("two temperatures", ["exposure.temperature: is given beside", "has 1 values"]),
        ("doubt about the cover", ['reinforcement.cover.kind = "knowledge": must be "scatter"']),
    ],
)
def test_other_mistakes_are_named(wall, case, parts):
    old, new, _ = CASES[case]
    if case == "two temperatures":
        old, new = old + "\nchl", new + "\nchl"
    if case == "section that is no table":
        old, new = "[choices]", "[[target]]"
    text = "\n".join(wall.problems((old, new)))
    for part in parts:
        assert part in text


def test_no_strategy(wall):
    start = '[[strategy]]\nname = "Forms 12 h"\nstrip_age = "12 h"\n\n'
    rest = '[[strategy]]\nname = "Forms 24 h"\nstrip_age = "24 h"\n'
    assert wall.problems((start, ""), (rest, "")) == [
        "wall.toml: strategy: is missing; write at least one [[strategy]] with name and strip_age"
    ]


def test_more_than_50_strategies(wall):
    more = "".join(f'[[strategy]]\nname = "S{i}"\nstrip_age = "12 h"\n' for i in range(49))
    (problem,) = wall.problems(end=more)
    assert "strategy: stands 51 times; at most 50 are allowed" in problem


def test_every_problem_of_a_file_is_reported_together_in_order(wall):
    problems = wall.problems(
        ("service_life =", "servise_life ="),
        ("mean = 2.0", "mean = nan"),
        ('"55 mm", sd', '"55", sd'),
        ("points = 256", "points = 7"),
    )
    assert [p.split(": ")[1].split(" =")[0] for p in problems] == [
        "target.servise_life",
        "exposure.surface_chloride.mean",
        "reinforcement.cover.mean",
        "sampling.points",
    ]


@pytest.mark.parametrize(
    ("between", "rank", "message"),
    [
        ('["concrete.diffusivity", "reinforcement.cover"]', "1", "must lie between -1 and 1"),
        ('["concrete.diffusivity"]', "0.5", "must name two different inputs"),
        ('["concrete.difusivity", "reinforcement.cover"]', "0.5", '"concrete.diffusivity"'),
        ('["curing.law", "reinforcement.cover"]', "0.5", "cannot correlate with what we do not"),
        ('["exposure.temperature", "reinforcement.cover"]', "0.5", "only random inputs correlate"),
    ],
)
def test_impossible_correlations(wall, between, rank, message):
    (problem,) = wall.problems(end=f"[[correlation]]\nbetween = {between}\nrank = {rank}\n")
    assert message in problem
    assert "correlation[1]" in problem


def test_correlations_that_cannot_hold_together(wall):
    names = ["concrete.diffusivity", "reinforcement.cover", "exposure.surface_chloride"]
    pairs = [(0, 1, 0.9), (0, 2, 0.9), (1, 2, -0.9)]
    text = "".join(
        f'[[correlation]]\nbetween = ["{names[a]}", "{names[b]}"]\nrank = {r}\n'
        for a, b, r in pairs
    )
    (problem,) = wall.problems(end=text)
    # eigenvalues of the 3 x 3 matrix with rho = 2 sin(0.15 pi) = 0.90798 are 1 + rho, 1 + rho and
    # 1 - 2 rho = -0.81596 (closed form)
    assert "smallest eigenvalue of the matrix 2 sin(pi rank / 6) is -0.816 " in problem


@pytest.mark.parametrize(
    "junk", ["3", "[1]", "[[1, [2]]]", '"x"', "{}", "true", "1979-05-27", "nan"]
)
@pytest.mark.parametrize(
    "key",
    [
        "title",
        "target",
        "exposure.temperature",
        "exposure.monthly_temperature",
        "exposure.surface_chloride",
        "concrete.diffusivity",
        "curing.retention",
        "curing.retention.sheet",
        "strategy",
        "choices",
        "choices.follow_up",
        "correlation",
        "sampling.points",
        "report",
    ],
)
def test_junk_anywhere_is_a_scenario_error(tmp_path, key, junk):
    path = tmp_path / "junk.toml"
    path.write_text(f"{key} = {junk}\n")
    with pytest.raises(ScenarioError) as caught:
        load(path)
    assert all(problem.startswith("junk.toml: ") for problem in caught.value.problems)


@pytest.mark.parametrize("end", ["-5 degC", "35 degC", "23 degF", "95 degF", "268.15 K"])
def test_the_ends_of_a_usual_range_are_usual_in_every_unit(wall, end):
    assert load(wall.write(('"10 degC"', f'"{end}"')))


def test_a_path_with_control_characters_is_printed_escaped(tmp_path):
    assert "\x1b" not in only(tmp_path / "a\x1b[31m" / "no.toml")


def test_a_file_name_that_is_no_text(tmp_path):
    path = tmp_path / "w\udcff.toml"
    assert only(path) == "w\\udcff.toml: the name of the file is not UTF-8; rename it"


def test_one_bracket_or_two(wall):
    doubled = only(wall.write(("[target]", "[[target]]")))
    assert "target = a list of 1: must be a table; write [target] once, with one bracket" in doubled
    text = wall.write().read_text("utf-8")
    head, *entries = text.split("[[strategy]]")
    rest = entries[-1].split("\n[", 1)
    path = wall.path
    path.write_text(f"{head}[strategy]{entries[0]}" + (f"\n[{rest[1]}" if rest[1:] else ""))
    with pytest.raises(ScenarioError, match=r"write \[\[strategy\]\], with two brackets"):
        load(path)


def test_a_correlation_with_an_input_that_is_wrong_is_not_told_again(wall):
    between = """
[[correlation]]
between = ["exposure.surface_chloride", "concrete.diffusivity"]
rank = 0.3
"""
    path = wall.write((SURFACE, '{ family = "lognormal", mean = -2.0, cov = 0.35 }'))
    path.write_text(path.read_text("utf-8") + between)
    assert only(path).startswith("wall.toml: exposure.surface_chloride.mean = -2")


def test_a_flood_of_problems_is_cut(wall):
    path = wall.write()
    flood = "".join(f"key_{n} = 1\n" for n in range(500)) + "k" * 5000 + " = 1\n"
    path.write_text(flood + path.read_text("utf-8"))
    with pytest.raises(ScenarioError) as caught:
        load(path)
    assert len(caught.value.problems) == 101
    assert caught.value.problems[-1] == "wall.toml: and 401 more; mend these first"
    assert max(len(text) for text in caught.value.problems) < 1000


@pytest.mark.parametrize("own", ['temperature = "-4 degC", ', 'temperature = "32 degF", '])
def test_no_follow_up_on_a_face_that_freezes(wall, own):
    follow_up = f'follow_up = {{ {own}method = "kept wet", duration = "7 d" }}'
    problem = only(wall.write((FOLLOW_UP, f"{FOLLOW_UP}\n{follow_up}")))
    assert "follow_up.temperature = " in problem
    assert (
        "must be above 0 degC: curing after stripping does nothing for a face that freezes"
        in problem
    )


def test_concrete_that_may_freeze_in_the_forms_is_warned_of(wall):
    case = wall.load(
        (FOLLOW_UP, f'{FOLLOW_UP}\nconcrete_temperature = "-1 degC"'),
        ('reference = "7 d"', 'reference = "7 d"\ndatum_temperature = "-10 degC"'),
    )
    (told,) = (text for text in case.warnings if text.startswith("Concrete at 0 degC or below"))
    assert '("Forms 24 h")' in told
