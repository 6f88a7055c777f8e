"""Words of statistics and of the trade that answers use, each explained once for `feedsim show`."""

from __future__ import annotations

from dataclasses import dataclass

COMMON_USE, COMMON_PRACTICE = UNSOURCED = ("common use", "common practice")


@dataclass(frozen=True, slots=True)
class Term:
    """A word, what it means to who reads an answer, and where that is from."""

    name: str
    meaning: str
    source: str = COMMON_USE


_LAW = "Law, Simulation Modeling and Analysis"
_COX = "Cox and Lewis, The Statistical Analysis of Series of Events"

TERMS = (
    Term(
        "confidence interval",
        "Where the true figure lies, by a rule that is right in the stated share of cases (95 % "
        "unless --confidence says else). It is about the mean over all shifts, not the spread of "
        "single ones, and about the simulated cell, not about what is wrong in its inputs.",
        f"{_LAW}, sec. 4.5",
    ),
    Term(
        "half-width",
        "What stands behind the ± of a figure: the interval reaches so far to either side. Four "
        "times the shifts halve it.",
        f"{_LAW}, sec. 9.4",
    ),
    Term(
        "one-sided limit",
        "The figure is at least, or at most, so much with the stated confidence. A target counts "
        "as met where this limit meets it.",
        f"{_LAW}, sec. 4.5",
    ),
    Term(
        "replication",
        "One simulated shift, with luck of its own. Shifts are independent of one another.",
        f"{_LAW}, sec. 9.4",
    ),
    Term(
        "same luck",
        "Settings that are compared meet the same stops and the same mis-picks, so their "
        "difference is known better than either figure (common random numbers).",
        f"{_LAW}, sec. 11.2",
    ),
    Term(
        "paired difference",
        "The difference of two settings, shift by shift on the same luck, with an interval of its "
        "own: it may be sure where the two figures' intervals overlap.",
        f"{_LAW}, sec. 10.2.1",
    ),
    Term(
        "Bonferroni",
        "Where many things are judged at once, the risk of an error is shared out over them, so "
        "that all of it together stays within what is stated.",
        f"{_LAW}, sec. 10.3",
    ),
    Term(
        "p",
        "The chance that the data look so odd, or odder, although nothing is behind it. Below 0.05 "
        "is a hint; of many, one in twenty is so small by luck.",
    ),
    Term(
        "planning value",
        "A number from practice and from memory, which stands in until you have measured your own. "
        "It is marked wherever it reaches an answer.",
    ),
    Term(
        "warm-up",
        "The first part of a shift, which is not read because the lanes start full.",
        f"{_LAW}, sec. 9.5",
    ),
    Term(
        "minor stop",
        "A halt shorter than minor_stop_min. It counts against performance, a longer one against "
        "availability; OEE itself does not move with that line.",
        COMMON_PRACTICE,
    ),
    Term(
        "exact interval",
        "The interval of a rate from counts (Clopper-Pearson): never less sure than stated, so "
        "often a little wide. Without a fault the one-sided limit is about 3 / picks at 95 %.",
        "Clopper and Pearson, Biometrika 26 (1934) 404",
    ),
    Term(
        "Jeffreys' prior",
        "What is held of a rate before anything is counted, said as neutrally as can be. With it "
        "there is a chance that the rate lies below a limit, in the plain sense of the word.",
        "Brown, Cai and DasGupta, Statistical Science 16 (2001) 101",
    ),
    Term(
        "uniform prior",
        "What is held of a rate before anything is counted: every rate is as likely as another.",
        "Gelman et al., Bayesian Data Analysis, sec. 2.4",
    ),
    Term(
        "beta-binomial",
        "Counts of faults whose rate differs from bundle to bundle. Its correlation says how alike "
        "the bags of one bundle are: 0, no more than others; 1, all bad or all good.",
        "Kish, Survey Sampling (1965), sec. 5.4, for what it costs in picks",
    ),
    Term(
        "Tarone's z",
        "Whether faults come in clusters (bad bundles) more than chance makes them. About 0 where "
        "they do not, above 2 where they do; its p is found by simulation.",
        "Tarone, Biometrika 66 (1979) 585",
    ),
    Term(
        "dispersion",
        "How much counts differ, over what chance alone makes of them: 1 is chance. Where that of "
        "pick trials is above it, the intervals are widened.",
        f"{_COX}, ch. 3; McCullagh and Nelder, Generalized Linear Models, sec. 4.5",
    ),
    Term(
        "deviance",
        "How far counts lie from a fitted curve. About as large as its degrees (on ...) where the "
        "curve carries them; its p says whether it is much larger.",
        "McCullagh and Nelder, Generalized Linear Models, sec. 2.3",
    ),
    Term(
        "logit",
        "The curve of film models: the odds of a fault go as a power of the stiffness. Probit and "
        "complementary log-log are other forms of about the same curve.",
        "McCullagh and Nelder, Generalized Linear Models, sec. 4.3",
    ),
    Term(
        "bootstrap",
        "What a figure does on data simulated from the fit itself, many times: so its p or "
        "interval needs no formula.",
        "Efron and Tibshirani, An Introduction to the Bootstrap",
    ),
    Term(
        "cv",
        "Coefficient of variation: standard deviation / mean. 0, always the same; 1, as "
        "exponential times; above 1, many short ones and a few very long.",
    ),
    Term(
        "AIC",
        "How well a family of distributions fits, less what its parameters could fit by "
        "themselves: the smallest is best, and less than 2 apart is a tie. BIC charges more per "
        "parameter.",
        "Akaike, IEEE Trans. Automatic Control 19 (1974) 716",
    ),
    Term(
        "A²",
        "Anderson and Darling's distance of times from a fitted family, its ends weighed most. Its "
        "p, found by simulation, says whether the family carries the times (below 0.05: not).",
        "Anderson and Darling, J. Am. Stat. Assoc. 49 (1954) 765",
    ),
    Term(
        "Laplace",
        "Whether stops become more frequent (above 0) or rarer (below 0) over the log. Beyond 2 "
        "either way is more than luck; over cv, the same for times that are not exponential.",
        f"{_COX}, sec. 3.3",
    ),
    Term(
        "neighbours",
        "Rank correlation of times that follow one another: above 0, short ones come together.",
        f"{_COX}, ch. 6",
    ),
    Term(
        "log-rank test",
        "Whether two groups (machines; before and after a change) stop equally often, times that "
        "were cut off at a shift's end allowed for.",
        "Mantel, Cancer Chemotherapy Reports 50 (1966) 163",
    ),
    Term(
        "cut-off time",
        "A running time that ended without a stop, at a shift's end or another stop: known only to "
        "be longer (right-censored). Left out, stops would look too frequent.",
        "Kaplan and Meier, J. Am. Stat. Assoc. 53 (1958) 457",
    ),
    Term(
        "covariance",
        "How unsure fitted numbers are, each and together. It stands in the fitted tables, and "
        "--inputs uncertain draws from it.",
    ),
    Term(
        "sequential trial",
        "A trial that is judged after every pick and ends as soon as it may. On average it takes "
        "fewer picks than one of a fixed size.",
        "Wald, Sequential Analysis (1947)",
    ),
    Term(
        "step, spread",
        "Of inputs moved one after the other along paths: mean size of what a step over the "
        "input's range does, and how much that differs from place to place. A spread as large as "
        "the step: it depends on the other inputs.",
        "Morris, Technometrics 33 (1991) 161",
    ),
)
