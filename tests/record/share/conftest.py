import pytest
from shared_record import private_record

from tunelab.record.share import Wanted, share_records


@pytest.fixture(scope="package")
def notebooks(tmp_path_factory):
    return tmp_path_factory.mktemp("notebooks")


@pytest.fixture(scope="package")
def record(tmp_path_factory, notebooks):
    return private_record(tmp_path_factory.mktemp("car"), notebooks)


@pytest.fixture(scope="package")
def shared(record, tmp_path_factory):
    return share_records([record], tmp_path_factory.mktemp("out") / "shared.zip", Wanted(raw=True))
