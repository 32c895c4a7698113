"""placeholder being written"""

from slotwatch.errors import HouseFileError, Problem
from slotwatch.house.cells import Addressing
from slotwatch.house.patch import Patch
from slotwatch.house.schema import Profile


def read_mvr(
    file: str, data: bytes, addressing: Addressing, profiles: list[Profile], audience_layers: tuple[str, ...]
) -> Patch:
    raise HouseFileError([Problem(file, None, "", "", "MVR is not read yet")])
