"""The command line: parse, call, render."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from evenfield.base.errors import EvenfieldError

if TYPE_CHECKING:
    from evenfield.loudspeaker.predict import Prediction
    from evenfield.loudspeaker.verdict import Verdict

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Design studio monitors: predict the sound in every direction and judge it against the brief.",
    epilog="Exit code: 0 done and brief met, 1 done and brief not met, 2 error.",
)

DesignFile = Annotated[Path, typer.Argument(help="Design file (YAML).", metavar="DESIGN")]
ReportFolder = Annotated[Path | None, typer.Option("--report", help="Write the report (HTML and PDF) into this folder.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the verdict as JSON instead of a table.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress bars.")]


@app.command()
def predict(
    design: DesignFile,
    report: ReportFolder = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
    motors: Annotated[bool, typer.Option("--motors", help="Run the motors at high level too: adds lines and pages.")] = False,
    device: Annotated[str, typer.Option("--device", help="What solves the sound field: auto, cpu or gpu.")] = "auto",
) -> None:
    """Predict a design's sound in every direction, judge it, and write the report."""
    from evenfield.loudspeaker.predict import predict_file
    from evenfield.loudspeaker.verdict import judge

    with _progress(quiet or as_json) as progress:
        prediction = predict_file(design, progress=progress, device=device)
    if motors:
        from evenfield.loudspeaker.motor_run import with_motors

        prediction = with_motors(prediction, design)
    verdict = judge(prediction)
    paths = _write_report(prediction, verdict, report, design.stem)
    _finish(verdict, prediction, as_json, paths)


@app.command()
def check(design: DesignFile) -> None:
    """Check a design file: keys, units, sizes, parameters that contradict each other. Solves nothing."""
    from evenfield.loudspeaker.check import check_file

    for line in check_file(design):
        typer.echo(line)


@app.command()
def judge(
    directivity: Annotated[Path, typer.Argument(help="Measured or stored directivity: SOFA, NetCDF, CSV, or a folder.")],
    brief: Annotated[Path | None, typer.Option("--brief", help="Design file whose brief it must meet.")] = None,
    standard: Annotated[str | None, typer.Option("--standard", help="Mask set: itu-r-bs1116 or ebu-tech3276.")] = None,
    report: ReportFolder = None,
    as_json: AsJson = False,
) -> None:
    """Judge a measured directivity by the same code as a prediction."""
    from evenfield.data.files import read_directivity
    from evenfield.loudspeaker.load import load_design
    from evenfield.loudspeaker.verdict import judge as judge_directivity

    subject = read_directivity(directivity)
    wanted = load_design(brief).brief if brief else None
    verdict = judge_directivity(subject, brief=wanted, standard=standard)
    paths = _write_report(subject, verdict, report, directivity.stem)
    _finish(verdict, None, as_json, paths)


@app.command()
def rooms(
    subject: Annotated[
        Path, typer.Argument(help="Design file, or a directivity (SOFA, NetCDF, CSV, folder).", metavar="DESIGN|DIRECTIVITY")
    ],
    room: Annotated[Path | None, typer.Option("--room", help="One described room (YAML).")] = None,
    ensemble: Annotated[list[str] | None, typer.Option("--ensemble", help="studios or living-rooms; may be repeated.")] = None,
    count: Annotated[int | None, typer.Option("--count", help="Rooms in each ensemble (default 1000).")] = None,
    seed: Annotated[int | None, typer.Option("--seed", help="Seed of the drawn rooms (default 1).")] = None,
    wav: Annotated[Path | None, typer.Option("--wav", help="Write the described room's response for listening.")] = None,
    orbits: Annotated[str, typer.Option("--orbits", help="refuse, or blend two orbits into a sphere.")] = "refuse",
    report: ReportFolder = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Hear it in one room and in a thousand: how far apart they are, and what in the loudspeaker causes it."""
    from evenfield.loudspeaker.rooms_run import rooms_of_file
    from evenfield.report.rooms import rooms_lines, write_rooms_report

    with _progress(quiet or as_json) as progress:
        result = rooms_of_file(
            subject, room=room, ensembles=ensemble, count=count, seed=seed, wav=wav, orbits=orbits, progress=progress
        )
    if as_json:
        typer.echo(json.dumps(result.to_dict(), indent=1, ensure_ascii=False))
    else:
        for line in rooms_lines(result):
            typer.echo(line)
    if report is not None:
        typer.echo(f"Report: {write_rooms_report(result, report, subject.stem)}", err=as_json)


@app.command()
def motor(design: DesignFile, report: ReportFolder = None, as_json: AsJson = False, quiet: Quiet = False) -> None:
    """Run a design's motors at high level: distortion, displacement, heat, and how loud the whole loudspeaker gets."""
    from evenfield.loudspeaker.motor_run import run_motors_of_file

    with _progress(quiet or as_json) as progress:
        found = run_motors_of_file(design, progress=progress)
    paths: list[Path] = []
    if report is not None:
        from evenfield.report.motor_document import write_motor_report

        paths = list(write_motor_report(found, report))
    if as_json:
        typer.echo(json.dumps(found.to_dict(), indent=1, ensure_ascii=False))
    else:
        from evenfield.report.terminal import print_verdict

        print_verdict(found)
        for path in paths:
            typer.echo(f"Report: {path}")
    raise typer.Exit(0 if found.passed is not False else 1)


@app.command()
def shape(
    design: DesignFile,
    aim: Annotated[
        str,
        typer.Option("--aim", help='What to reach, beyond the brief: "horizontal=100 deg, low=1.6 kHz, high=12 kHz, step=2".'),
    ] = "",
    out: Annotated[Path | None, typer.Option("--out", help="Folder for the copy, the state, a picture a step.")] = None,
    go_on: Annotated[Path | None, typer.Option("--continue", help="Go on with the search kept in this folder.")] = None,
    way: Annotated[str | None, typer.Option("--way", help="The way whose waveguide is shaped.")] = None,
    first_cut: Annotated[bool, typer.Option("--first-cut", help="Start from a first cut by rule.")] = False,
    hold: Annotated[list[str] | None, typer.Option("--hold", help="A dimension that stays, e.g. depth; may be repeated.")] = None,
    bound: Annotated[
        list[str] | None, typer.Option("--bound", help='Bounds of a dimension: "depth=20 mm..45 mm"; may be repeated.')
    ] = None,
    also: Annotated[
        list[str] | None, typer.Option("--also", help='Free this too: "ways.woofer.place.z=-98 mm..-78 mm"; may be repeated.')
    ] = None,
    keep_profile: Annotated[bool, typer.Option("--keep-profile", help="Keep the wall's named profile, do not free it.")] = False,
    starts: Annotated[int, typer.Option("--starts", help="Shapes to start from.", min=1, max=20)] = 3,
    minutes: Annotated[float, typer.Option("--minutes", help="Time for the search.")] = 15.0,
    tolerance: Annotated[str, typer.Option("--tolerance", help='Solve the worst corners of this: "0.2 mm".')] = "",
    no_overhang: Annotated[
        bool, typer.Option("--no-overhang", help="Let the wall hang over further than printer.lying and printer.overhang allow.")
    ] = False,
    rounds: Annotated[
        int, typer.Option("--rounds", help="Of the closing, on every target at once, at most; 0 leaves it out.", min=0, max=20)
    ] = 3,
    prove: Annotated[bool, typer.Option("--prove", help="Confirm on finer meshes and with the cone's profile too.")] = False,
    no_confirm: Annotated[bool, typer.Option("--no-confirm", help="Leave out the whole predictions before and after.")] = False,
    write: Annotated[Path | None, typer.Option("--write", help="Where the designed copy goes (default: in --out).")] = None,
    over: Annotated[bool, typer.Option("--over", help="--write may name the design itself.")] = False,
    part: Annotated[Path | None, typer.Option("--part", help="Make the part to print: STEP, STL, 3MF, drawings, sheet.")] = None,
    scan: Annotated[Path | None, typer.Option("--scan", help="A printed wall (STL, PLY) to judge in place.")] = None,
    unit: Annotated[str | None, typer.Option("--unit", help="Of the scan: mm, m or inch (default: from its size).")] = None,
    along: Annotated[
        list[Path] | None, typer.Option("--range", help="Derive this sibling's waveguide from the design's; may be repeated.")
    ] = None,
    device: Annotated[str, typer.Option("--device", help="auto, cpu or gpu.")] = "auto",
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Shape a waveguide by intent: the wall that gives the wanted coverage and hands over from the way below.

    --first-cut, --part, --scan or --range alone do only that; with --aim, --out or --continue they come after the search
    (a first cut before it).
    """
    from evenfield.report import shape_outputs as outputs

    outputs.check_outputs(part, scan)
    found: dict[str, Any] = {}
    say = (lambda line: None) if as_json else typer.echo
    source, met = design, True
    with _progress(quiet or as_json) as progress:
        if along:
            from evenfield.search.shape_range import RangeWish
            from evenfield.search.shape_search import Effort

            wish = RangeWish(aim, Effort(starts, minutes=minutes), not no_confirm, device, not no_overhang)
            told = None if quiet or as_json else lambda line: typer.echo(line, err=True)
            found["range"] = outputs.carry_along(design, along, wish, go_on or out, say, progress, told)
        elif aim or out or go_on or not (first_cut or part or scan):
            from evenfield.report.terminal_shape import print_shape
            from evenfield.search.shape_command import shape_file

            job = shape_file(
                design, aim=aim, out=go_on or out, resume=go_on is not None, way=way, first_cut=first_cut,
                hold=tuple(hold or ()), bound=tuple(bound or ()), also=tuple(also or ()), free=not keep_profile, starts=starts,
                minutes=minutes, confirm=not no_confirm, write=write, over=over, device=device, tolerance=tolerance,
                rounds=rounds, prove=prove,
                overhang=not no_overhang, progress=progress, pictures=_pictures(go_on or out, design, quiet or as_json),
            )  # fmt: skip
            found["search"], met = job.to_dict(), job.met
            source = job.files[0] if job.files else design
            if not as_json:
                print_shape(job)
        elif first_cut:
            found["first_cut"] = outputs.cut_first(design, way, aim, write, say)
            source = write or design
        if part is not None:
            found["part"] = outputs.make_the_part(source, way, part, say)
            met = met and found["part"]["passed"] is not False
        if scan is not None:
            found["scan"] = outputs.judge_the_scan(source, way, scan, unit, say, progress)
    if as_json:
        typer.echo(json.dumps(found, indent=1, ensure_ascii=False, default=str))
    raise typer.Exit(0 if met else 1)


def _pictures(folder: Path | None, design: Path, quiet: bool) -> Any:
    """What shows each step of a search: a line, and a picture where there is a folder."""

    def of(way: str) -> Any:
        from evenfield.report.shape_pictures import step_pictures, step_words

        draw = None if folder is None else step_pictures(folder, way, design.parent)

        def show(step: Any) -> None:
            if not quiet:
                typer.echo(step_words(step), err=True)
            if draw is not None:
                draw(step)

        return show

    return of


@app.command()
def schema() -> None:
    """Print the JSON Schema of the design file, for editors that complete and check."""
    from evenfield.loudspeaker.design import json_schema

    typer.echo(json.dumps(json_schema(), indent=1, ensure_ascii=False))


@app.command()
def filters(
    design: DesignFile,
    fit: Annotated[bool, typer.Option("--fit", help="Fit the filters to the loudspeaker's own field, over directions.")] = False,
    passive: Annotated[bool, typer.Option("--passive", help="With --fit: fit a passive network instead.")] = False,
    series: Annotated[str, typer.Option("--series", help="Preferred values of a passive network.")] = "E12",
    rate: Annotated[float | None, typer.Option("--rate", help="Sample rate of the processor, Hz.")] = None,
    level: Annotated[float | None, typer.Option("--level", help="Level that the limits must stand, dB at the listener.")] = None,
    boost: Annotated[float, typer.Option("--boost", help="Largest boost, dB.")] = 6.0,
    export: Annotated[Path | None, typer.Option("--export", help="Write .csv, .json, .h, .wav, or .cir (passive).")] = None,
    write: Annotated[Path | None, typer.Option("--write", help="Copy of the design with the fitted filters.")] = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Review a design's filters, or fit them (--fit): active sections, or a passive network of parts one can buy."""
    from evenfield.loudspeaker.filter_fit_goals import Goals
    from evenfield.loudspeaker.filter_job import run_filters
    from evenfield.report.terminal_filters import print_job

    goals = Goals(sample_rate=rate, level_db=level, boost_db=boost)
    with _progress(quiet or as_json) as progress:
        done = run_filters(design, fit, passive, series, goals, export, write, progress)
    if as_json:
        typer.echo(json.dumps(done.to_dict(), indent=1, ensure_ascii=False))
    else:
        print_job(done)
    raise typer.Exit(0 if done.met else 1)


@app.command("open")
def open_page(
    target: Annotated[Path, typer.Argument(help="Design file (YAML), or a folder of them.", metavar="DESIGN|FOLDER")] = Path("."),
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")] = True,
    port: Annotated[int, typer.Option("--port", help="Port on this machine; a free one by default.", min=0, max=65535)] = 0,
    solve: Annotated[bool, typer.Option("--solve/--no-solve", help="Solve a design by itself when it rests.")] = True,
) -> None:
    """Open the workbench: change something on the page and see the whole loudspeaker answer."""
    from evenfield.workbench.serve import open_workbench

    open_workbench(target, browser=browser, port=port, solve=solve, say=typer.echo)


def _progress(silent: bool) -> Any:
    from evenfield.report.progress import TerminalProgress

    return TerminalProgress(silent)


def _write_report(subject: Any, verdict: Verdict, folder: Path | None, stem: str) -> tuple[Path, ...]:
    """Write the report, or leave it as it stands when nothing that it shows has changed."""
    if folder is None:
        return ()
    from evenfield.loudspeaker.store import key_of
    from evenfield.report.keep import keep_report, kept_report

    design, frequency, pressure = (getattr(subject, n, None) for n in ("design", "frequency", "pressure"))
    key = key_of(design, verdict.to_dict(), frequency if pressure is not None else None, pressure)
    paths = kept_report(folder, stem, key)
    if not paths:
        from evenfield.report import write_report

        paths = write_report(subject, verdict, folder / f"{stem}.html")
        keep_report(folder, stem, key, paths)
    return paths


def _finish(verdict: Verdict, prediction: Prediction | None, as_json: bool, paths: tuple[Path, ...]) -> None:
    if as_json:
        typer.echo(json.dumps(verdict.to_dict(), indent=1, ensure_ascii=False))
    else:
        from evenfield.report.terminal import print_verdict

        print_verdict(verdict, prediction)
        for path in paths:
            typer.echo(f"Report: {path}")
    raise typer.Exit(0 if verdict.passed is not False else 1)


def _stopped() -> NoReturn:
    typer.echo("evenfield: stopped. Finished frequencies are kept; the same command goes on from there.", err=True)
    sys.exit(2)


def main() -> None:
    """Entry point: errors on one screen, exit code 2; Ctrl-C keeps what is finished."""
    try:
        # without its standalone mode the library returns the exit code instead of raising it; 130 stands for Ctrl-C
        code = app(standalone_mode=False) or 0
        if code == 130:
            _stopped()
        sys.exit(code)
    except EvenfieldError as error:
        typer.echo(f"evenfield: {error}", err=True)
        sys.exit(2)
    except (KeyboardInterrupt, typer.Abort):
        _stopped()
    except Exception as error:
        if hasattr(error, "format_message"):  # the command line's own usage errors
            typer.echo(f"evenfield: {error.format_message()} Try 'evenfield --help'.", err=True)
            sys.exit(2)
        raise
