"""The few verbs of `import tunelab`: open a drive or a bare log, flag, estimate the delay, fit, propose, draw.

They join what the rooms offer for the commonest questions; the notebooks show everything else. The examples below run
on the demo that comes with the kit.
"""

from __future__ import annotations

import json
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import xarray as xr

from tunelab.log.flag import channels_of, flag_log, spans
from tunelab.log.load import read_own_log
from tunelab.log.map import map_file
from tunelab.log.map.join import join_files
from tunelab.log.map.recognise import LEFT_OUT
from tunelab.log.read import read_raw
from tunelab.record.evidence import gather_evidence
from tunelab.record.opened import OpenedSession, open_session
from tunelab.study.delay import DelayFit
from tunelab.study.delay import estimate_delay as delay_of
from tunelab.study.proposal import Proposal
from tunelab.study.steady import SteadyFit
from tunelab.workspace import ChannelMap, Workspace, open_usable
from tunelab.workspace.car import Car
from tunelab.workspace.channel_map import read_channel_map
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session

if TYPE_CHECKING:
    import holoviews as hv


@dataclass(frozen=True, eq=False)
class Drive:
    """One session of a workspace with its log, read and flagged."""

    opened: OpenedSession
    log: xr.Dataset  # flagged

    @property
    def car(self) -> Car:
        """The car as `car.toml` has it."""
        return self.opened.car

    @property
    def revision(self) -> Revision:
        """What was in the ECU during the drive."""
        return self.opened.revision

    @cached_property
    def delay(self) -> DelayFit:
        """Delay and lag of the lambda sensor, estimated once."""
        return delay_of(self.log, self.car, self.revision)

    def facts(self) -> pd.DataFrame:
        """What was driven, one row per fact."""
        time = self.log["time"].to_numpy()
        good = int((self.log["sample_flag"] == 0).sum())
        rows = [
            ("session", self.opened.name),
            ("revision in the ECU", self.revision.name),
            ("samples", f"{time.size} over {time[-1] - time[0]:.1f} s, {good} of them with no flag on the row"),
            ("channels", ", ".join(channels_of(self.log))),
        ]
        return pd.DataFrame(rows, columns=["what", "value"]).set_index("what")

    def __repr__(self) -> str:
        """Facts as text."""
        return f"Drive\n{self.facts().to_string(header=False, max_colwidth=90)}"

    def _repr_html_(self) -> str:
        return self.facts().to_html(header=False, border=0)


def open_workspace(path: str | Path) -> Workspace:
    """Open a workspace: car, revisions and sessions of one car.

    Raises
    ------
    WorkspaceError
        It cannot be used as it stands; one error lists everything wrong and the way out.

    Examples
    --------
    >>> workspace = open_workspace("data_demo")
    >>> sorted(workspace.revisions)
    ['r01', 'r02', 'r03']
    """
    return open_usable(Path(path))


def open_drive(path: str | Path) -> Drive:
    """Open one session by its folder, read its logs and flag them.

    Raises
    ------
    WorkspaceError, LoadError
        No such session, or files that cannot be used as they stand.

    Examples
    --------
    >>> drive = open_drive("data_demo/sessions/2026-05-03-steady")
    >>> drive.revision.name
    'r01'
    """
    opened = open_session(path)
    return Drive(opened, gather_evidence(opened).log)


def read_log(path: str | Path, *, car: Car | None = None, channels: str | Path | None = None) -> xr.Dataset:
    """Read one log file that belongs to no workspace: any text table, Parquet, netCDF or MDF.

    Parameters
    ----------
    path : path
        The file; it is only read.
    car : Car, optional
        As `open_workspace(...).car`; settles what "MAF" means, and what an AFR display uses.
    channels : path, optional
        A `channels.toml` with what the file itself leaves open.

    Returns
    -------
    Dataset
        Dimension `time` [s], channels under their canonical names and units, NaN where there is no reading; not yet
        flagged. A cleaned log of the kit's own is taken as it is.

    Warns
    -----
    UserWarning
        A column is open and was left out; it says which, why, and that `channels.toml` can settle it.

    Raises
    ------
    ReadError, MapError, WorkspaceError
        The file cannot be read, or has no clock; a `channels.toml` that cannot be used.

    Examples
    --------
    >>> log = read_log("data_demo/sessions/2026-05-03-steady/sweep-1.csv.gz", channels="data_demo/channels.toml")
    >>> log["engine_speed_rpm"].attrs["units"]
    'rpm'
    """
    own = read_own_log(Path(path))
    if own is not None:
        return own
    channel_map = read_channel_map(Path(channels)) if channels else ChannelMap()
    raw = read_raw(Path(path), channel_map)
    log = join_files([map_file(raw, car, channel_map, weather=None, steps=())], title=raw.path.name)
    left = [f"{item['column']}: {item['why']}" for item in json.loads(log.attrs["columns"]) if _left_out(item)]
    if left:
        warnings.warn(f"{raw.path.name} holds columns that are open. " + "; ".join(left) + ".", stacklevel=2)
    return log


def flag(log: xr.Dataset, car: Car, revision: Revision | None = None) -> xr.Dataset:
    """Mark in a bare log what cannot be trusted, and why; nothing is deleted.

    `open_drive` has done this already, with what the session excludes.

    Examples
    --------
    >>> workspace = open_workspace("data_demo")
    >>> log = read_log("data_demo/sessions/2026-05-12-coast-down/coast.csv.gz", car=workspace.car)
    >>> "engine_speed_rpm_flag" in flag(log, workspace.car)
    True
    """
    bare: dict[str, Any] = {"exclude": []}  # of a session, flagging reads nothing else
    return flag_log(log, car, Session.model_construct(**bare), revision=revision)


def estimate_delay(drive: Drive) -> DelayFit:
    """Estimate how late lambda is read: transport delay of the exhaust gas, and lag of the sensor.

    Examples
    --------
    >>> estimate_delay(open_drive("data_demo/sessions/2026-05-03-steady")).shown
    True
    """
    return drive.delay


def fit(drive: Drive, *others: Drive) -> SteadyFit:
    """Fit the errors of meter and injectors jointly to steady driving.

    Parameters
    ----------
    drive : Drive
        The result refers to its revision.
    *others : Drive
        Further drives of the same car, under whatever revision of its workspace.

    Examples
    --------
    >>> found = fit(open_drive("data_demo/sessions/2026-05-03-steady"))
    >>> found.dead_time.shown
    True
    """
    from tunelab.study.steady import Delay, fit_steady

    if drive.car.has_table:
        raise TypeError(
            "this car's ECU takes the air from a table: use tunelab.study.filling, fit_filling and propose_table."
        )
    late = drive.delay
    return fit_steady(
        [drive.log, *(other.log for other in others)],
        drive.car,
        drive.opened.workspace.revisions,
        drive.revision.name,
        delay=Delay(late.delay_s, late.delay_flow_s_kg_h, late.lag_s),
    )


def propose(found: SteadyFit, drive: Drive, *others: Drive) -> Proposal:
    """Propose what to enter next, within the owner's caps; withheld where the drives contradict themselves.

    Parameters
    ----------
    found : SteadyFit
        From `fit`, of the same drives.
    drive, *others : Drive
        Those drives.

    Examples
    --------
    >>> drive = open_drive("data_demo/sessions/2026-05-03-steady")
    >>> propose(fit(drive), drive).base.name
    'r01'
    """
    from tunelab.study.consistency import check_consistency, withhold
    from tunelab.study.proposal import propose as proposal_of

    logs = [drive.log, *(other.log for other in others)]
    checks = check_consistency(logs, drive.car, drive.opened.workspace.revisions, drive.revision.name)
    return withhold(proposal_of(found, drive.car, drive.revision), checks)


def draw(what: Drive | xr.Dataset | SteadyFit | Proposal | DelayFit, *channels: str) -> hv.Element | hv.Layout:
    """Draw a drive, a log or a result, as the notebooks draw it.

    Parameters
    ----------
    what : Drive, Dataset, DelayFit, SteadyFit or Proposal
        A drive or log is drawn over time, with what is flagged.
    *channels : str
        Of a drive or log: what to draw, top to bottom; the first five that it has, unless named.

    Raises
    ------
    TypeError
        Nothing of this kind is drawn here; the notebooks and `tunelab.chart` draw every result.

    Examples
    --------
    >>> drive = open_drive("data_demo/sessions/2026-05-03-steady")
    >>> type(draw(drive, "engine_speed_rpm", "lambda_measured")).__name__
    'Layout'
    """
    from tunelab import chart
    from tunelab.record.display import set_up_display

    set_up_display()
    if isinstance(what, Drive):
        what = what.log
    if isinstance(what, xr.Dataset):
        flagged = (
            spans(what) if "sample_flag" in what else pd.DataFrame(columns=["start_s", "end_s", "channel", "reason"])
        )
        return chart.draw_trace(what, list(channels) or channels_of(what)[:5], flagged=flagged)
    drawings: dict[type, Callable[[Any], hv.Element | hv.Layout]] = {
        DelayFit: chart.draw_delay,
        SteadyFit: lambda found: chart.draw_meter_factor(found.meter),
        Proposal: lambda proposal: chart.draw_meter_curve(proposal),
    }
    if type(what) not in drawings:
        known = ", ".join(["Drive", "Dataset", *(kind.__name__ for kind in drawings)])
        raise TypeError(f"a {type(what).__name__} cannot be drawn here; this draws {known}. See tunelab.chart.")
    return drawings[type(what)](what)


def _left_out(item: dict) -> bool:
    return str(item.get("why", "")).startswith(LEFT_OUT)
