"""The expectations are the project's own contract for what an owner keeps on disk; there is no outside source."""

import random

import pytest
from plain_workspace import SESSION_NAME, write_workspace

from tunelab.workspace import WorkspaceError, find_workspace, open_usable, open_workspace


@pytest.fixture
def root(tmp_path):
    return write_workspace(tmp_path / "my-car")


def edit(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def problems_of(root):
    with pytest.raises(WorkspaceError) as caught:
        open_workspace(root)
    return caught.value.problems


def only_problem(root):
    problems = problems_of(root)
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def test_a_valid_workspace_opens(root):
    workspace = open_workspace(root)
    assert workspace.car.engine.cylinders == 6
    assert list(workspace.revisions) == ["r01"]
    folder = workspace.sessions[SESSION_NAME]
    assert folder.files == (root / "sessions" / SESSION_NAME / "log1.csv",)
    assert workspace.channel_map.column == []


def test_find_workspace_walks_up(root):
    assert find_workspace(root / "sessions" / SESSION_NAME / "log1.csv") == root
    assert find_workspace(root) == root
    with pytest.raises(WorkspaceError, match=r"no car\.toml"):
        find_workspace(root.parent)


# Each row: file, what to replace, by what, the key of the one problem, words that its message must have.
FAULTS = [
    ("car.toml", "displacement_l = 3.0", "displacement_l = 2979", "engine.displacement_l", "at most 30 [l]"),
    ("car.toml", "displacement_l = 3.0", 'displacement_l = "3,0"', "engine.displacement_l", "without quotes"),
    ("car.toml", "cylinders = 6", "cylinders = true", "engine.cylinders", "a whole number"),
    ("car.toml", "cylinders = 6", "cylinders = nan", "engine.cylinders", "a whole number"),
    ("car.toml", "lag_s = 0.1", "lag_s = inf", "lambda_sensor.lag_s", "[s]"),
    ("car.toml", "stroke_mm", "stroke_m", "engine.stroke_m", "nearest known key is stroke_mm, in mm"),
    ("car.toml", "stroke_mm = 89.6", "top_speed_km_h = 90", "engine.top_speed_km_h", "belongs in [limits]"),
    ("car.toml", "stroke_mm = 89.6", "stroke_mm = 89.6\nbore_mm = 103.2", "engine.cylinders", "stroke_mm is 4.00"),
    ("car.toml", "rail_low = 0.1", "rail_low = 5", "meter.rail_low", "rail_low below rail_high"),
    ("car.toml", "rail_low = 0.65", "rail_low = 1.2", "lambda_sensor.rail_low", "a lambda below 1"),
    ("car.toml", "count = 6", "count = 4", "injectors.count", "for every cylinder"),
    ("car.toml", "[3.5, 2.1, 1.4, 1.0, 0.8]", "[3.5, 2.1, 2.4, 1.0]", "gearing.ratios no. 3", "2.4 after 2.1"),
    ("car.toml", "205/55R16", "205-55-16", "tyres.size", "205/55R16"),
    ("car.toml", 'size = "205/55R16"', "", "tyres", "neither size nor rolling_radius_m"),
    ("car.toml", "drag_area_m2 = 0.65", "a_n = 180", "road_load", "both forms"),
    ("car.toml", "drag_area_m2 = 0.65", "", "road_load", "no drag_area_m2"),
    ("car.toml", "coolant_min_c = 75", "coolant_min_c = 110", "limits.coolant_min_c", "below coolant_max_c"),
    ("car.toml", "lambda_max_full_load = 0.9", "lambda_max_full_load = 0.6", "limits.lambda_max_full_load", "0.65"),
    (
        "car.toml",
        "mass_uncertainty_kg = 25",
        "mass_uncertainty_kg = 2500",
        "vehicle.mass_uncertainty_kg",
        "below mass_kg",
    ),
    ("revisions/r01.toml", 'name = "r01"', 'name = "r1"', "name", "rename the file to r1.toml"),
    ("revisions/r01.toml", "date = 20", "date = 00", "date", "all four digits of its year"),
    ("session.toml", "date = 20", "date = 00", "date", "all four digits of its year"),
    (
        "revisions/r01.toml",
        "meter_v =",
        "meter_hz =",
        "meter_curve.meter_hz",
        "meter_v, the reading of this car's meter",
    ),
    ("revisions/r01.toml", "1.0, 1.5", "1.5, 1.5", "meter_curve.meter_v no. 3", "1.5 after 1.5"),
    ("revisions/r01.toml", "8.0, 22.0", "1.0, 22.0", "meter_curve.flow_kg_h no. 2", "1 after 2"),
    ("revisions/r01.toml", "8.0, 22.0", "8.0", "meter_curve.meter_v", "9 values, and 8 in flow_kg_h"),
    ("revisions/r01.toml", "[1.6, 1.1, 0.8]", "[1.6, 1.1]", "dead_time.battery_v", "3 values, and 2"),
    ("revisions/r01.toml", "[10.0, 12.0, 14.0]", "[14.0, 12.0, 10.0]", "dead_time.battery_v no. 2", "12 after 14"),
    (
        "revisions/r01.toml",
        "rev_limit_rpm = 6800",
        "rev_limit_rpm = 7200",
        "fuelling.rev_limit_rpm",
        "owner's limit of 7000",
    ),
    ("revisions/r01.toml", 'name = "r01"', 'name = "r01"\nbased_on = "r00"', "based_on", "the nearest is 'r01'"),
    ("revisions/r01.toml", 'name = "r01"', 'name = "r01"\nbased_on = "r01"', "based_on", "leads back"),
    (
        "revisions/r01.toml",
        "\n\n[meter",
        '\nalso_changed = ["sprak"]\n\n[meter',
        "also_changed no. 1",
        "the nearest is 'spark'",
    ),
    (
        "revisions/r01.toml",
        "\n\n[meter",
        '\nalso_changed = [{ kind = "boots" }]\n\n[meter',
        "also_changed no. 1: kind",
        "the nearest is 'boost'",
    ),
    ("revisions/r01.toml", "\n\n[meter", '\nalso_changed = ["other"]\n\n[meter', "also_changed no. 1", 'what = "..."'),
    (
        "revisions/r01.toml",
        "\n\n[meter",
        '\nalso_changed = [{ kind = "fuel", where = "idle" }]\n\n[meter',
        "also_changed no. 1: where",
        "where only beside spark",
    ),
    ("revisions/r01.toml", "\n\n[meter", "\nalso_changed = true\n\n[meter", "also_changed", "a list"),
    ("revisions/r01.toml", "date = 2026-04-20", 'date = "2026-04-20"', "date", "without quotes"),
    ("session.toml", '"steady"', '"stedy"', "steps no. 1", '"part-throttle"'),
    ("session.toml", '"r01"', '"r02"', "revision", "the nearest is 'r01'"),
    ("session.toml", "log1.csv", "log2.csv", "files no. 1", "the nearest is 'log1.csv'"),
    ("session.toml", "log1.csv", "../../../car.toml", "files no. 1", "own folder"),
    ("session.toml", "log1.csv", "C:\\\\logs\\\\log1.csv", "files no. 1", "own folder"),
    ("session.toml", "log1.csv", "/etc/hosts", "files no. 1", "own folder"),
    ("session.toml", "log1.csv", "session.toml", "files no. 1", "own description"),
    ("session.toml", '"log1.csv"', '"log1.csv", "log1.csv"', "files no. 2", "a second time"),
    ("session.toml", '"log1.csv"', "3", "files no. 1", "text in quotes"),
]


@pytest.mark.parametrize(("name", "old", "new", "key", "words"), FAULTS)
def test_each_fault_is_told_once_with_its_line(root, name, old, new, key, words):
    path = root / (f"sessions/{SESSION_NAME}/{name}" if name == "session.toml" else name)
    edit(path, old, new)
    problem = only_problem(root)
    assert problem.key == key
    assert words in str(problem)
    assert problem.file == path.relative_to(root).as_posix()
    assert problem.line is not None
    table_or_key = key.split(" no.")[0].rsplit(".", 1)[-1]
    assert table_or_key in path.read_text(encoding="utf-8").split("\n")[problem.line - 1]


def test_an_exclusion_is_checked(root):
    path = root / "sessions" / SESSION_NAME / "session.toml"
    path.write_text(
        path.read_text(encoding="utf-8") + '[[exclude]]\nstart_s = 9\nend_s = 4\nauthor = "A"\nreason = "wire off"\n'
        'channels = ["lamda_measured"]\n',
        encoding="utf-8",
    )
    first, second = problems_of(root)
    assert (first.key, first.line) == ("exclude no. 1: end_s", 7)
    assert (second.key, second.line) == ("exclude no. 1: channels no. 1", 10)
    assert "lambda_measured" in second.way_out


def test_a_symbolic_link_out_of_the_session_is_refused_and_called_one(root, tmp_path):
    outside = tmp_path / "outside.csv"
    outside.write_text("secret", encoding="utf-8")
    (root / "sessions" / SESSION_NAME / "log2.csv").symlink_to(outside)
    edit(root / "sessions" / SESSION_NAME / "session.toml", "log1.csv", "log2.csv")
    assert "own folder" in str(only_problem(root))


def test_faults_over_all_files_come_in_one_error(root):
    edit(root / "car.toml", "cylinders = 6", "cylinders = 0")
    edit(root / "revisions" / "r01.toml", "stoich_afr = 14.5", "stoich_afr = -14.5")
    edit(root / "sessions" / SESSION_NAME / "session.toml", '"r01"', '"r09"')
    (root / "channels.toml").write_text('[[column]]\nname = "MAP"\nchanel = "manifold_kpa"\n', encoding="utf-8")
    (root / "sessions" / "2026-05-04-road").mkdir()
    problems = problems_of(root)
    assert [problem.file for problem in problems] == [
        "car.toml",
        "channels.toml",
        "revisions/r01.toml",
        f"sessions/{SESSION_NAME}/session.toml",
        "sessions/2026-05-04-road/session.toml",
    ]


@pytest.mark.parametrize(
    ("content", "line", "words"),
    [
        (b'name = "r01"\ndate = 2026-04-31x\n', 2, "valid TOML"),
        (b'name = "r01"\nname = "r01"\n', 2, "valid TOML"),
        (b'name = "r01\n', 1, "valid TOML"),
        (b'name = "caf\xe9"\n', 1, "not UTF-8"),
        ('name = "r01"\n'.encode("utf-16"), None, "UTF-16"),
        (b"a = " + b"[" * 5000, 1, "valid TOML"),
        (b'name = "\x00"\n', 1, "valid TOML"),
    ],
)
def test_a_file_that_is_not_toml_is_told_with_its_line(root, content, line, words):
    (root / "revisions" / "r01.toml").write_bytes(content)
    problem = only_problem(root)
    assert problem.line == line
    assert words in str(problem)


@pytest.mark.parametrize(
    ("row", "found", "way_out"),
    [
        ("flow_g_min = 310,5", "a comma as decimal mark: flow_g_min = 310,5", "with a dot"),
        ("flow_g_min = 310 g/min", "something behind the number: flow_g_min = 310 g/min", "leave the unit out"),
        ("flow_g_min: 310", "a colon behind the key: flow_g_min: 310", "equals sign"),
        ("flow_g_min = “310”", "curved quotation marks: flow_g_min = “310”", "straight"),
        ('notes = "of spring', 'a quotation mark that is not closed: notes = "of spring', "at the end"),
        ("notes = of spring", "text without quotation marks: notes = of spring", "in quotes"),
        ("cylinders = six", "a number in words: cylinders = six", "a number is wanted: cylinders = 6"),
        ("cylinders = some", "text without quotation marks: cylinders = some", "in digits"),
        ('notes = "C:\\Users"', 'a backslash in double quotes: notes = "C:\\Users"', "single quotes"),
        ("date = 3.5.2026", "a date in another order: date = 3.5.2026", "2026-05-03"),
        ("meter_v = [1.0; 2.0]", "semicolons in a list: meter_v = [1.0; 2.0]", "commas"),
        ("meter_v = [1.0 2.0]", "values of a list with no comma between them: meter_v = [1.0 2.0]", "commas"),
        ("meter_v = [1.0,\n2.0\nflow = 2", "a list that is not closed: meter_v = [1.0,", "put ]"),
        ("meter_v = 1.0, 2.0", "several numbers and no list: meter_v = 1.0, 2.0", "between ["),
        ("closed = True", "a word for yes or no: closed = True", "small letters"),
        ("[meter_curve", "a heading that is not closed: [meter_curve", "[name]"),
        ("// spring", "a remark that does not begin with #: // spring", "#"),
        ("spring", "no equals sign: spring", "key = value"),
        ('name = "r02"', 'the same name a second time, first on line 1: name = "r02"', "one of the two"),
    ],
)
def test_a_slip_in_a_file_is_said_in_plain_words_with_a_look_at_the_line(root, row, found, way_out):
    (root / "revisions" / "r01.toml").write_text(f'name = "r01"\n{row}\n', encoding="utf-8")
    problem = only_problem(root)
    assert (problem.line, problem.found) == (2, found)
    assert way_out in problem.way_out
    assert "nothing after this place was looked at" in problem.way_out


@pytest.mark.parametrize(
    ("name", "wrong"),
    [
        ("car.toml", "car.toml.txt"),
        ("car.toml", "car"),
        ("revisions/r01.toml", "revisions/r01.toml.txt"),
        ("revisions/r01.toml", "revisions/r01"),
        (f"sessions/{SESSION_NAME}/session.toml", f"sessions/{SESSION_NAME}/session.toml.txt"),
    ],
)
def test_a_file_with_another_ending_is_noticed(root, name, wrong):
    (root / name).rename(root / wrong)
    found = [problem for problem in problems_of(root) if problem.file == wrong]
    assert [problem.wanted for problem in found] == [f"the name {name.rpartition('/')[2]}"]
    assert "rename it" in found[0].way_out


def test_a_channel_map_with_a_second_ending_is_not_passed_over(root):
    (root / "channels.toml.TXT").write_text("", encoding="utf-8")
    assert only_problem(root).wanted == "the name channels.toml"
    (root / "channels.toml.TXT").rename(root / "notes.txt")
    assert open_workspace(root).channel_map.column == []


def test_from_inside_a_workspace_a_car_file_with_a_second_ending_is_named(root):
    (root / "car.toml").rename(root / "car.toml.txt")
    with pytest.raises(WorkspaceError, match=r"a file called car\.toml\.txt; wanted the name car\.toml"):
        find_workspace(root)


def test_a_byte_order_mark_and_windows_line_ends_are_accepted(root):
    path = root / "revisions" / "r01.toml"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    assert open_workspace(root).revisions["r01"].fuelling.stoich_afr == 14.5


UNFINISHED = {"empty": None, "begun": 'date = "fill in"\nsteps = ["steady"]\nrevision = "r01"\n', "no-toml": "date =\n"}


@pytest.mark.parametrize("name", UNFINISHED)
def test_a_session_that_is_not_in_order_keeps_out_itself_alone_and_is_named(root, name):
    (root / "sessions" / name).mkdir()
    if UNFINISHED[name]:
        (root / "sessions" / name / "session.toml").write_text(UNFINISHED[name], encoding="utf-8")
    with pytest.raises(WorkspaceError):
        open_workspace(root)
    workspace = open_usable(root)
    assert set(workspace.sessions) == {SESSION_NAME}
    (sentence,) = workspace.left_out()
    assert sentence.startswith(f"sessions/{name} is left out: session.toml")
    assert open_usable(root).sessions == workspace.sessions
    edit(root / "car.toml", "cylinders = 6", "cylinders = true")
    with pytest.raises(WorkspaceError) as caught:
        open_usable(root)
    assert {problem.file for problem in caught.value.problems} == {"car.toml", f"sessions/{name}/session.toml"}


def test_a_circle_of_revisions_is_told_for_each_of_them(root):
    first = root / "revisions" / "r01.toml"
    text = first.read_text(encoding="utf-8")
    for name, parent in (("r01", "r03"), ("r02", "r01"), ("r03", "r02"), ("r04", "r03")):
        changed = text.replace('name = "r01"', f'name = "{name}"\nbased_on = "{parent}"')
        (root / "revisions" / f"{name}.toml").write_text(changed, encoding="utf-8")
    assert [problem.file for problem in problems_of(root)] == [f"revisions/r0{n}.toml" for n in (1, 2, 3)]


def test_logs_are_found_by_name_with_numbers_in_order(root):
    folder = root / "sessions" / SESSION_NAME
    edit(folder / "session.toml", 'files = ["log1.csv"]', "")
    for name in ("log10.csv", "log2.csv", "LOG3.CSV.GZ", "photo.jpg", ".log4.csv", "log5.parquet", "notes.md"):
        (folder / name).write_bytes(b"")
    names = [path.name for path in open_workspace(root).sessions[SESSION_NAME].files]
    assert names == ["log1.csv", "log2.csv", "LOG3.CSV.GZ", "log5.parquet", "log10.csv"]


def test_opening_changes_no_file(root):
    before = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in root.rglob("*") if path.is_file()}
    open_workspace(root)
    assert before == {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in root.rglob("*") if path.is_file()}


def test_a_folder_without_anything_says_what_is_wanted(tmp_path):
    problems = problems_of(tmp_path)
    assert [problem.file for problem in problems] == ["car.toml", "revisions"]
    assert "no such folder" in str(problems_of(tmp_path / "nowhere")[0])


JUNK = ["-1", "1e308", "nan", "true", '"x"', '"fill in"', "[]", "[[1]]", "{a = 1}", "[{a = 1}]", "2026-05-03T10:00:00"]


@pytest.mark.parametrize("seed", range(25))
def test_whatever_stands_in_the_files_is_answered_with_problems(root, seed):
    """Lines damaged at random: no other error than the one that lists the problems, each with its file."""
    rng = random.Random(seed)
    for name in ("car.toml", "revisions/r01.toml", f"sessions/{SESSION_NAME}/session.toml"):
        lines = (root / name).read_text(encoding="utf-8").split("\n")
        for _ in range(3):
            k = rng.choice([k for k, line in enumerate(lines) if "=" in line])
            lines[k] = rng.choice([lines[k].split("=")[0] + "= " + rng.choice(JUNK), lines[k].replace("=", "_ ="), ""])
        (root / name).write_text("\n".join(lines), encoding="utf-8")
    problems = problems_of(root)
    assert len(problems) >= 3
    assert all((root / problem.file).is_file() and problem.found and problem.wanted for problem in problems)
    assert len({(p.file, p.key, p.found) for p in problems}) == len(problems)


def test_a_noted_drop_out_ends_after_it_starts(root):
    path = root / "sessions" / SESSION_NAME / "session.toml"
    path.write_text(path.read_text(encoding="utf-8") + "[[drop_out]]\nstart_s = 80\nend_s = 30\n", encoding="utf-8")
    problem = only_problem(root)
    assert (problem.key, problem.line) == ("drop_out no. 1: end_s", 7)


def test_drop_outs_and_what_begins_a_file_are_read(root):
    path = root / "sessions" / SESSION_NAME / "session.toml"
    noted = 'new_file = "by hand"\n[[drop_out]]\nstart_s = 80\n[[drop_out]]\nstart_s = 90\nend_s = 95\ncounts = false\n'
    path.write_text(path.read_text(encoding="utf-8") + noted, encoding="utf-8")
    session = open_workspace(root).sessions[SESSION_NAME].session
    assert session.new_file == "by hand"
    assert [(n.start_s, n.end_s, n.counts) for n in session.drop_out] == [(80, None, True), (90, 95, False)]


def test_a_log_in_the_place_of_a_settings_file_is_said_to_be_too_large(root):
    (root / "car.toml").write_text("1,2,3\n" * 30_000, encoding="utf-8")
    assert "more than 128 kB" in str(only_problem(root))


def test_of_thousands_of_wrong_keys_the_first_are_told_and_the_rest_counted(root):
    keys = "".join(f"k{number} = 1\n" for number in range(2500))
    (root / "car.toml").write_text(keys + (root / "car.toml").read_text("utf-8"), encoding="utf-8")
    problems = problems_of(root)
    assert len(problems) == 201
    assert problems[-1].found == "2300 more problems"


def test_a_log_whose_name_no_disk_can_hold_is_told_of_like_any_missing_one(root):
    edit(root / "sessions" / SESSION_NAME / "session.toml", "log1.csv", "9" * 400 + ".csv")
    assert "which is not there" in only_problem(root).found
