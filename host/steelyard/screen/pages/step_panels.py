"""What each kind of step shows: figures that move by themselves, and tables that change rarely."""

from __future__ import annotations

from collections.abc import Callable

from nicegui import ui

from steelyard.errors import SteelyardError
from steelyard.guidance.views import (
    GOING_ON,
    BalanceView,
    IsometricView,
    ResponseView,
    RestraintView,
    SetView,
    StepState,
    StepView,
)
from steelyard.screen.pages.balance_chart import balance_chart
from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.fields import Form
from steelyard.screen.pages.parts import box, button, notice, table, text
from steelyard.screen.pages.refusals import guarded
from steelyard.strength.measured import Measured

Lines = dict[str, str]


def panel_state(step: StepView) -> list[object]:
    """What makes a panel be built anew; figures that move are not among it."""
    if isinstance(step, RestraintView):
        return [step.holds, step.slips]
    if isinstance(step, BalanceView):
        return [step.phase, len(step.attempts), step.balanced, step.turns_advised]
    if isinstance(step, IsometricView):
        return [(one.state, len(one.efforts)) for one in step.stations]
    if isinstance(step, SetView):
        return [step.count, len(step.repetitions), step.stop_advice]
    return [len(step.rows)] if isinstance(step, ResponseView) else []


def panel(bench: Bench, step: StepView) -> None:
    """Build the panel of a step."""
    moving_facts(bench)
    if isinstance(step, RestraintView):
        _restraint(step)
    elif isinstance(step, BalanceView):
        _balance(bench, step)
    elif isinstance(step, IsometricView):
        _isometric(bench, step)
    elif isinstance(step, SetView):
        _set(bench, step)
    elif isinstance(step, ResponseView):
        _response(step)
    for said in step.statements:
        notice("care" if said.spoils else "plain", said.text)


def moving_facts(bench: Bench) -> None:
    """Names and values, brought up to date in place five times a second."""

    def lines() -> Lines:
        view = bench.desk.visits.view
        return step_lines(view.step) if view and view.step else {}

    places: dict[str, Callable[[str], object]] = {}
    with box("dl", "facts"):
        for name, value in lines().items():
            with box("div"):
                text("dt", name)
                places[name] = text("dd", value).set_text

    def show() -> None:
        for name, value in lines().items():
            if name in places:
                places[name](value)

    ui.timer(0.2, show)


# --- figures that move ---------------------------------------------------------------------------


def step_lines(step: StepView) -> Lines:
    """Names and values of the figures that move, for any step."""
    if isinstance(step, RestraintView):
        return _restraint_lines(step)
    if isinstance(step, BalanceView):
        return _balance_lines(step)
    if isinstance(step, IsometricView):
        return _isometric_lines(step)
    return _set_lines(step) if isinstance(step, SetView) else {}


def _restraint_lines(step: RestraintView) -> Lines:
    still = "" if step.still_degrees is None else f" (still within {step.still_degrees:z.1f}°)"
    return {
        "arm moved": f"{step.arm_range_degrees:z.0f}° of {step.enough_degrees:z.0f}° needed",
        "roller moved": f"{_or_dash(step.roller_range_degrees, '.1f')}°{still}",
        "slips": str(step.slips),
    }


def _balance_lines(step: BalanceView) -> Lines:
    slow, fast = step.sweep_speeds_wanted
    u = step.residual_standard_uncertainty_nm
    return {
        "torque now": f"{_or_dash(step.residual_nm, '.1f')} ± {_or_dash(u and 2 * u, '.1f')} N·m",
        "sweep speed": f"{_or_dash(step.sweep_speed, 'z.0f')}°/s, wanted {slow:.0f} to {fast:.0f}",
        "sweeps": f"{step.extending_sweeps} extending, {step.flexing_sweeps} flexing",
        "crank": f"{_or_dash(step.crank_turns, '.2f')} turns",
        "accepted residual": f"{step.bound_nm:.1f} N·m",
    }


def _isometric_lines(step: IsometricView) -> Lines:
    if step.state not in GOING_ON:
        return {}  # the stations, planned or done, stand further down
    left = step.phase_seconds_left
    away = step.off_station_degrees
    return {
        "now": step.phase + ("" if left is None else f", {left:.0f} s left"),
        "station": f"{_or_dash(step.station_degrees, '.0f')}°"
        + ("" if away is None else f", arm {away:+.1f}° off"),
        "effort": f"{step.effort_number} of {step.efforts_planned}",
        "torque, relaxed taken off": f"{_or_dash(step.torque_nm, '.0f')} N·m",
        "highest of this effort": f"{_or_dash(step.highest_nm, '.0f')} N·m",
    }


def _set_lines(step: SetView) -> Lines:
    if step.state is StepState.READY:
        return {}
    asked = f" of {step.count_asked}" if step.count_asked else ""
    lines = {
        "repetitions": f"{step.count}{asked}",
        "time under load": f"{step.seconds_under_load:.0f} s",
    }
    if step.state not in GOING_ON:
        return lines  # what the form was then stands in the table
    wanted = step.phase_seconds_asked
    return lines | {
        "now": f"{step.phase}, {step.phase_seconds:.1f} s"
        + ("" if wanted is None else f" of {wanted:.1f} s"),
        "form": "; ".join(word.text for word in step.slips) or "good",
    }


# --- what changes rarely --------------------------------------------------------------------------


def _restraint(step: RestraintView) -> None:
    if step.holds is True:
        notice("good", "The restraint holds.")
    elif step.holds is False:
        notice("bad", "The restraint slips.")


def _balance(bench: Bench, step: BalanceView) -> None:
    if step.balanced and step.worst is not None and abs(step.worst.value) > step.bound_nm:
        notice(
            "care",
            "Balanced: as far as the crank can. The figures say where the rest is taken off.",
        )
    elif step.balanced:
        notice("good", "Balanced: what is measured from here on is muscle.")
    elif step.turns_advised:
        text("p", f"Crank {abs(step.turns_advised):g} turns: {step.way} counterweight.", "big")
    if step.phase == "crank":
        _crank_setting(bench, step)
    if step.attempts:
        rows = [
            [str(number), one.worst.text(), f"{one.worst_degrees:z.0f}°", f"{one.turns_advised:+g}"]
            for number, one in enumerate(step.attempts, 1)
        ]
        table("Attempts", ["no.", "largest residual", "at", "turns advised"], rows)
    if step.curve:
        balance_chart(step.curve, step.bound_nm)


def _crank_setting(bench: Bench, step: BalanceView) -> None:
    hint = (
        "It has not been read yet. With it the client's weight can be told, and the advice keeps "
        "to the crank's travel."
    )
    form = Form()
    form.field(
        "turns",
        "Or: the crank stands at, turns",
        hint if step.crank_turns is None else "",
        inputmode="decimal",
    )

    def take() -> None:
        turns = form.number("turns", "turns")
        if turns is None:
            raise SteelyardError("No setting of the crank was typed.", "Read it and type it.")
        bench.desk.act("cranked", turns=turns)

    button("Take this setting", guarded(take), "quiet")


def _isometric(bench: Bench, step: IsometricView) -> None:
    if step.state is StepState.READY and not step.stations:
        _choose_stations(bench, step)
    rows = []
    for one in step.stations:
        efforts = "; ".join(
            f"{_shown(effort.peak)}{'' if effort.valid else ' ✕'}" for effort in one.efforts
        )
        reasons = dict.fromkeys(
            why for effort in one.efforts for why in effort.reasons if not effort.valid
        )
        row = [f"{one.degrees:z.0f}°", one.state, _shown(one.best), efforts, " ".join(reasons)]
        rows.append([cell or "–" for cell in row])
    heads = ["station", "state", "best valid", "efforts", "✕ because"]
    if all(effort.valid for one in step.stations for effort in one.efforts):
        heads, rows = heads[:-1], [row[:-1] for row in rows]
    if rows:
        table("Stations", heads, rows)


def _choose_stations(bench: Bench, step: IsometricView) -> None:
    places = " ".join(f"{at:g}" for at in bench.desk.suggested_stations())
    form = Form(stations=places, efforts=str(step.efforts_planned), rest="60")
    form.field("stations", "Stations, °", "Locked positions within the client's range.")
    form.field("efforts", "Efforts at each", inputmode="numeric")
    form.field("rest", "Rest between efforts, s", inputmode="numeric")

    def take() -> None:
        bench.desk.choose_stations(
            form.numbers("stations", "a station"),
            form.number("efforts", "the efforts"),
            form.number("rest", "the rest"),
        )

    button("Take these stations", guarded(take), "quiet")


def _set(bench: Bench, step: SetView) -> None:
    if step.stop_advice:
        notice("bad", f"The rule says stop: {step.stop_advice}")
    if step.state is StepState.READY:
        _choose(bench, step)
    if step.repetitions:
        rows = [
            [
                str(one.number),
                one.range_degrees.text(),
                f"{_or_dash(one.concentric_seconds, '.1f')} / "
                f"{_or_dash(one.eccentric_seconds, '.1f')} s",
                _shown(one.peak_torque),
                "; ".join(map("{} ({})".format, one.faults, one.texts)) or "good",
            ]
            for one in step.repetitions
        ]
        table("Repetitions", ["no.", "range", "up / down", "peak", "form"], rows)


def _choose(bench: Bench, step: SetView) -> None:
    plates = {f"{kg:g}": f"{kg:g} kg" for kg in bench.desk.profile.stack.plates_kg}
    now = "" if step.stack_kg is None else f"{step.stack_kg:g}"
    form = Form(
        plates=now if now in plates else next(iter(plates)), count=str(step.count_asked or 8)
    )
    form.choice("plates", "Plates", plates)
    form.field("count", "Repetitions asked", inputmode="numeric")

    def take() -> None:
        bench.desk.choose_set(
            form.number("plates", "the plates"), form.number("count", "the count")
        )

    button("Take these", guarded(take), "quiet")


def _response(step: ResponseView) -> None:
    rows = [
        [
            f"{one.degrees:z.0f}°",
            one.before.text(),
            one.after.text(),
            one.change_percent.text(),
            "real" if one.real else "within its uncertainty",
        ]
        for one in step.rows
    ]
    if rows:
        table("Before and after", ["station", "before", "after", "change", "verdict"], rows)


def _shown(measured: Measured | None) -> str:
    return "–" if measured is None else measured.text()


def _or_dash(value: float | None, form: str) -> str:
    return "–" if value is None else format(value, form)
