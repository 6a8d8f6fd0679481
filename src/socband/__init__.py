"""How far a battery monitor's displayed charge can be trusted, and what that means for tonight.

The rooms, in the order in which numbers pass through them (an import points only backwards):
read (`errors`, `quantity`, `site`, `logs`, `layouts`, `models`), draw what is unknown (`unknowns`),
simulate (`cell`, `bank`, `monitor`, `demand`), condition on evidence (`posterior`, `estimators`),
ask (`forecast`, `suspects`, `charging`, `budget`, `bench`, `identify`), show (`plots`, `report`,
`cli`). Importing the package itself loads none of them.
"""

from __future__ import annotations

import os
from pathlib import Path

__version__ = "0.1.0"


def _find_room_for_compiled() -> None:
    """Compiled code is kept beside the sources or in the home folder; else for this run alone.

    The compiler refuses to work where it can keep nothing, and looks only when it is imported.
    """
    here, home = Path(__file__).parent, Path(os.path.expanduser("~"))
    places = (here / "__pycache__", here, home / ".cache", home)

    def there(place: Path) -> bool:
        try:
            return place.is_dir()
        except OSError:  # a home that nobody may look into is no room
            return False

    rooms = [next((p for p in pair if there(p)), None) for pair in (places[:2], places[2:])]
    if "NUMBA_CACHE_DIR" in os.environ or any(r and os.access(r, os.W_OK) for r in rooms):
        return
    import atexit
    import shutil
    import tempfile

    room = tempfile.mkdtemp(prefix="socband-")
    os.environ["NUMBA_CACHE_DIR"] = room
    atexit.register(shutil.rmtree, room, ignore_errors=True)


_find_room_for_compiled()
