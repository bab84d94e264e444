"""The demo workspace: an invented hill-climb special, its revisions and its sessions, all from the simulator."""

from tunelab.simulate.demo.build import write_demo

__all__ = ["write_demo"]
