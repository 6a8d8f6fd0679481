"""How far a battery monitor's displayed charge can be trusted, and what that means for tonight.

The rooms, in the order in which numbers pass through them (an import points only backwards):
read (`errors`, `quantity`, `site`, `logs`, `layouts`, `models`), draw what is unknown (`unknowns`),
simulate (`cell`, `bank`, `monitor`, `demand`), condition on evidence (`posterior`, `estimators`),
ask (`forecast`, `suspects`, `charging`, `budget`, `bench`, `identify`), show (`plots`, `report`,
`cli`). Importing the package itself loads none of them.
"""

from __future__ import annotations

__version__ = "0.1.0"
