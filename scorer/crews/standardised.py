"""Crews held to the same mix of blocks and methods, beside their plain shares; and where that cannot be done, why.

Crews pick different blocks on different days. A crew sent to the sappiest block looks bad without picking badly. So the
share that each crew would have with the season's own mix of block and method is worked out from a logistic regression
(standardisation, or g-computation; e.g. Robins 1986, Mathematical Modelling 7: 1393-1512), with errors that know of
bins. It can only speak of what was seen: where crew and block always go together, nobody can tell one from the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy import stats
from scipy.linalg import null_space, qr
from scipy.sparse.csgraph import connected_components
from scipy.special import expit

Floats = NDArray[np.float64]

STANDARDISED_COLUMNS: Final = (
    "crew",
    "fruit",
    "share",
    "standardised",
    "low",
    "high",
    "told_apart",
    "overlap",
    "note",
)
NOT_TOLD_APART: Final = "what it picked and how cannot be told from who picked it"
LITTLE_OVERLAP: Final = "shares only {:.0f} % of its fruit's {} with other crews, so the figure leans on the model"
FEWEST_OVERLAP: Final = 0.3
NOTHING_TO_HOLD: Final = "Nothing is known of the fruit's {}, so its mix cannot be held equal."
_ROUNDING: Final = 1e-8


@dataclass(frozen=True)
class Standardised:
    """All crews at the same mix.

    Parameters
    ----------
    table : one row per crew, by name, with the columns STANDARDISED_COLUMNS. ``overlap`` is the part of its fruit that
        come from mixes in which other crews picked, too.
    held : what is held equal, of what was asked for.
    warnings : in words: what cannot be told apart, and fruit that were left out.
    """

    table: pd.DataFrame
    held: tuple[str, ...]
    warnings: tuple[str, ...]


def standardised_shares(
    fruit: pd.DataFrame,
    *,
    hold: Sequence[str] = ("block", "method"),
    crew: str = "crew",
    cluster: str = "lot",
    defective: str = "defective",
    confidence: float = 0.95,
) -> Standardised:
    """Each crew's share if all crews had picked the season's mix.

    The model is logit(share) = crew + each of ``hold``, fitted by statsmodels' GLM with errors clustered by bin; the
    standardised share is the mean of the crew's predictions over all fruit, its error by the delta method, the interval
    on the log-odds scale with t of (bins - parameters) degrees of freedom. Where a crew or a level has no defective or
    no sound fruit, one made-up fruit of the overall share is added to every cell, so that the fit stays finite. It
    takes for granted that a block is as hard on all crews alike (no interaction), and that nothing else differs.

    Crews that share no block, or no method, with others cannot be held to their mix. Those that do are compared among
    each other, at the mix of their own group.

    Parameters
    ----------
    fruit : one row per fruit; fruit without a value in a column of ``hold`` are left out, a column without any value is
        not held.
    hold : columns whose mix is held equal.
    """
    held = [name for name in hold if name in fruit and fruit[name].notna().any()]
    said = [NOTHING_TO_HOLD.format(name) for name in hold if name not in held]
    known = fruit.dropna(subset=held)
    if len(known) < len(fruit):
        said.append(f"{len(fruit) - len(known)} fruit without {' or '.join(held)} are left out here.")
    names = sorted(known[crew].unique())
    plain = known.groupby(crew)[defective].agg(["size", "mean"])
    rows: list[dict[str, Any]] = [
        {"crew": name, "fruit": int(plain.loc[name, "size"]), "share": float(plain.loc[name, "mean"])} for name in names
    ]
    if not held or len(names) < 2:
        table = [row | {"told_apart": False, "note": "" if held else "; ".join(said)} for row in rows]
        return Standardised(pd.DataFrame(table, columns=list(STANDARDISED_COLUMNS)), tuple(held), tuple(said))
    group = pd.Series("", index=pd.Index(names))
    for name in held:
        member, sentences = _joined(known, crew, name)
        group += "/" + member.reindex(group.index).astype(str)
        said += sentences
    overlap = _overlap(known, crew, held)
    told: dict[Any, dict[str, Any]] = {}
    for _, crews in group.groupby(group):
        if len(crews) > 1:
            told |= _of_group(known[known[crew].isin(crews.index)], held, crew, cluster, defective, confidence)
    for row in rows:
        row["overlap"] = overlap[row["crew"]]
        row |= told.get(row["crew"], _NOT_TOLD)
        if not row["told_apart"]:
            row["note"] = NOT_TOLD_APART
        elif row["overlap"] < FEWEST_OVERLAP:
            row["note"] = LITTLE_OVERLAP.format(100 * row["overlap"], " and ".join(held))
        else:
            row["note"] = ""
    return Standardised(pd.DataFrame(rows, columns=list(STANDARDISED_COLUMNS)), tuple(held), tuple(said))


_NOT_TOLD: Final = {"standardised": np.nan, "low": np.nan, "high": np.nan, "told_apart": False}


def _of_group(
    known: pd.DataFrame, held: Sequence[str], crew: str, cluster: str, defective: str, confidence: float
) -> dict[Any, dict[str, Any]]:
    """What the table says of the crews of a group that what is held joins to each other."""
    columns = [known[crew], *(known[name].astype(str) for name in held)]
    levels = [sorted(column.unique()) for column in columns]
    codes = [pd.Categorical(column, level).codes for column, level in zip(columns, levels, strict=True)]
    table = np.stack(codes, axis=1).astype(np.int64)
    fit = _Fit.of(table, [len(level) for level in levels], known, crew, cluster, defective)
    return {name: fit.standardised(index, confidence) for index, name in enumerate(levels[0])}


@dataclass(frozen=True)
class _Fit:
    """A fitted model, and the season's mix to predict for.

    Parameters
    ----------
    mix : (cells, covariates) codes of each mix that occurs; ``weight`` (cells,) its part of all fruit.
    """

    estimate: Floats
    covariance: Floats
    columns: NDArray[np.int64]  # of the design that are independent of each other
    unseen: Floats  # directions of the parameters of which the fruit say nothing
    sizes: tuple[int, ...]
    mix: NDArray[np.int64]
    weight: Floats
    freedom: int

    @classmethod
    def of(
        cls,
        codes: NDArray[np.int64],
        sizes: list[int],
        known: pd.DataFrame,
        crew: str,
        cluster: str,
        defective: str,
    ) -> _Fit:
        bad = known[defective].to_numpy(np.float64)
        group = pd.factorize(known[crew].astype(str) + ", " + known[cluster].astype(str))[0]
        design = _design(codes, sizes)
        mix, count = np.unique(codes[:, 1:], axis=0, return_counts=True)
        bins = int(group.max()) + 1
        unseen = null_space(design)
        columns = np.sort(qr(design, mode="r", pivoting=True)[1][: design.shape[1] - unseen.shape[1]])
        if _one_sided(codes, bad):
            cells = np.unique(codes, axis=0)
            design = np.vstack([design, _design(cells, sizes)])
            bad = np.concatenate([bad, np.full(len(cells), bad.mean())])  # a made-up fruit is defective in part
            group = np.concatenate([group, bins + np.arange(len(cells))])
        fitted = sm.GLM(bad, design[:, columns], family=sm.families.Binomial()).fit(
            cov_type="cluster", cov_kwds={"groups": group}
        )
        freedom = max(bins - len(columns), 1)
        return cls(
            np.asarray(fitted.params),
            np.asarray(fitted.cov_params()),
            columns,
            unseen,
            tuple(sizes),
            mix,
            count / count.sum(),
            freedom,
        )

    def standardised(self, crew: int, confidence: float) -> dict[str, Any]:
        """What the table says of one crew."""
        codes = np.column_stack([np.full(len(self.mix), crew), self.mix])
        design = _design(codes, list(self.sizes))
        if self.unseen.shape[1] and np.abs(design @ self.unseen).max() > _ROUNDING:
            return dict(_NOT_TOLD)
        design = design[:, self.columns]
        chance = expit(design @ self.estimate)
        share = float(self.weight @ chance)
        slope = (self.weight * chance * (1 - chance)) @ design
        error = float(np.sqrt(max(slope @ self.covariance @ slope, 0)))
        reach = float(stats.t.ppf((1 + confidence) / 2, self.freedom)) * error / (share * (1 - share))
        middle = np.log(share / (1 - share))
        low, high = expit(middle - reach), expit(middle + reach)
        return {"standardised": share, "low": float(low), "high": float(high), "told_apart": True}


def _design(codes: NDArray[np.int64], sizes: list[int]) -> Floats:
    """A column for each crew, and one for each level but the first of each covariate."""
    blocks = [np.eye(sizes[0])[codes[:, 0]]]
    blocks += [np.eye(size)[codes[:, column]][:, 1:] for column, size in enumerate(sizes[1:], start=1)]
    return np.hstack(blocks)


def _one_sided(codes: NDArray[np.int64], bad: Floats) -> bool:
    """Whether a crew or a level has no defective, or no sound, fruit."""
    means = (pd.Series(bad).groupby(codes[:, column]).mean() for column in range(codes.shape[1]))
    return any(((mean == 0) | (mean == 1)).any() for mean in means)


def _overlap(known: pd.DataFrame, crew: str, held: Sequence[str]) -> pd.Series[float]:
    """Part of each crew's fruit from mixes in which others picked, too."""
    crews = known.groupby(list(held))[crew].transform("nunique")
    return (crews > 1).astype("float64").groupby(known[crew]).mean()


def _joined(known: pd.DataFrame, crew: str, name: str) -> tuple[pd.Series[int], list[str]]:
    """Which crews a covariate joins, by the number of their group, and a sentence for each group if there are more."""
    met = pd.crosstab(known[crew], known[name])
    crews, levels = met.shape
    edges = np.zeros((crews + levels, crews + levels), bool)
    edges[:crews, crews:] = met.to_numpy() > 0
    groups, member = connected_components(edges, directed=False)
    of_crew = pd.Series(member[:crews], index=met.index)
    if groups == 1:
        return of_crew, []
    said = []
    for group in range(groups):
        who = [str(one) for one in met.index[member[:crews] == group]]
        where = [str(one) for one in met.columns[member[crews:] == group]]
        said.append(
            f"{_listed(who)} picked only in {name} {_listed(where)}, where no other crew did: whether {name} or crew "
            "makes the difference to the others cannot be told."
        )
    return of_crew, said


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
