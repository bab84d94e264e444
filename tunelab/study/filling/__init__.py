"""A car whose ECU takes the air from a table over engine speed and load: how far each cell is off."""

from tunelab.study.filling.fit import fit_filling
from tunelab.study.filling.plan import plan_cells
from tunelab.study.filling.proposal import TableProposal, propose_table, table_of, withheld
from tunelab.study.filling.result import FillingFit

__all__ = ["FillingFit", "TableProposal", "fit_filling", "plan_cells", "propose_table", "table_of", "withheld"]
