"""How each figure is made and what it takes for granted: a sheet of the workbook and the end of the report."""

from __future__ import annotations

from typing import Final

import pandas as pd

METHODS: Final = pd.DataFrame(
    [
        (
            "defective fruit",
            "a fruit that the limit table downgrades, by the side that was seen; each fruit counts once, from settled "
            "photos that need not be taken again",
            "shed's own limit table",
        ),
        (
            "share, low, high",
            "beta-binomial model: bins differ, and how alike fruit of a bin are (icc) is learnt from all crews "
            "together; interval with the prior Beta(1/2, 1/2), the icc averaged out",
            "Griffiths 1973; Brown, Cai and DasGupta 2001; Kish 1965 for the design effect",
        ),
        (
            "mean brown fraction",
            "mean over fruit; spread between bins, on the log scale",
            "Cochran 1977, Sampling Techniques, 6.3",
        ),
        (
            "corrected share",
            "turned round by how often the scorer is right on fruit checked by eye, each weighed by its chance to be "
            "drawn; takes for granted that it is right as often on all crews",
            "Rogan and Gladen 1978; Lang and Reiczigel 2014",
        ),
        (
            "share from both",
            "the scorer's share of all fruit moved by the officers' word on those checked, each weighed by its chance "
            "to be drawn; spread between bins",
            "Angelopoulos and others 2023; Zrnic and Candès 2024",
        ),
        (
            "against the rest",
            "the crew's share less that of all other crews' fruit; p adjusted for the number of crews",
            "Holm 1979",
        ),
        (
            "shrunken share, chances",
            "crews taken as drawn from a population of crews; each is drawn towards the others as far as its own fruit "
            "say little",
            "Gelman and others 2013, Bayesian Data Analysis, chapter 5",
        ),
        ("funnel", "limits of the binomial at fruit / design effect", "Spiegelhalter 2005 (from memory)"),
        (
            "days that stand out",
            "limits of three sigmas widened for the spread from day to day, and for the skew of small counts",
            "Laney 2002; NIST/SEMATECH e-Handbook 6.3.3.2",
        ),
        (
            "drift",
            "exponentially weighted mean of the days against the first third of them, 8 at least",
            "Roberts 1959; Lucas and Saccucci 1990 (from memory)",
        ),
        (
            "standardised share",
            "logistic regression on crew, block and method, predicted for the season's own mix; takes for granted that "
            "a block is as hard on all crews alike",
            "Robins 1986; statsmodels' GLM with errors clustered by bin",
        ),
        ("money", "share x loss per carton x cartons; prices are taken as known", "shed's own prices"),
    ],
    columns=["figure", "how it is made", "source"],
)
