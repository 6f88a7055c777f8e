"""What a report says of every study of a kind: its question, the model, cautions."""

from __future__ import annotations

QUESTIONS = {
    "run": "What does this cell do in a shift, and where does its time go?",
    "capacity": "How many bags must a lane of the magazine hold?",
    "size": "What is the smallest magazine that meets the stated targets?",
    "rounds": "How far apart may rounds be, and how many machines can the crew tend?",
    "film": "How many bad picks does this line stand, and what do they cost?",
    "compare": "Which of two configs is better, by how much, and how surely?",
    "sweep": "Which of the settings tried is best, and which cannot be told from it?",
    "sensitivity": "Which input should be measured first?",
    "account": "What did this line do, by its own log?",
    "fit stops": "How often do the stations stop and for how long, by their log?",
    "fit picks": "How often do picks fail, by the trials, and over which bags?",
    "trial plan": "How many picks must a trial have, and how many faults may it show?",
    "trial result": "What does this trial's result show?",
    "trial efficiency": "What does passing an efficiency run of some hours show?",
}
TITLES = {
    "run": "Run",
    "capacity": "Capacity study",
    "size": "Sizing of the magazine",
    "rounds": "Rounds and crew",
    "film": "Film study",
    "compare": "Comparison",
    "sweep": "Sweep",
    "sensitivity": "Sensitivity",
    "account": "Account of a log",
    "fit stops": "Stations fitted to a log",
    "fit picks": "Film model fitted to pick trials",
    "trial plan": "Plan of a pick trial",
    "trial result": "Result of a pick trial",
    "trial efficiency": "Efficiency run",
}
CAPTIONS = {
    "losses": "Where the planned busy time goes, by cause",
    "capacity": "OEE, dry time and visits over capacity",
    "size": "The capacities tried, against the targets",
    "rounds": "The targets over capacity and round interval",
    "film": "OEE and visits over misses",
    "compare": "What differs, with intervals",
    "sweep": "The settings tried",
    "sensitivity": "How far each answer moves with each input",
    "account": "The line window by window",
    "stops": "Times between stops and times stopped, and the distributions fitted",
    "chances": "Chances of faults over stiffness, and what was counted",
    "trial_plan": "The chance to pass, over the true rate",
    "trial_sequential": "The sequential trial: where it ends",
    "trial_result": "What the result shows",
    "trial_efficiency": "The chance to pass, over the true efficiency",
}
VARIES = {
    "run": "One setting: the config.",
    "capacity": "The bags that a lane holds are varied, and round intervals if asked for.",
    "size": "Capacities are tried one after another, with more shifts where it is close.",
    "rounds": "Capacities, round intervals and the number of machines are varied, with more "
    "shifts where it is close.",
    "film": "The chances of misses, or the stiffness they follow from, are varied.",
    "compare": "Two configs, A and B, on the same luck.",
    "sweep": "Every combination of the values of some keys.",
    "sensitivity": "Each uncertain input goes from the low to the high end of its range, alone "
    "and with all the others.",
    "trial efficiency": "How often the stations stop is varied, so that the true efficiency is.",
}

LOGIC = (
    "A machine works in whole cycles. In each the pick head takes a bag from the lane whose turn "
    "it is, or from the next one that can serve. An attempt is good, or has one of five faults: "
    "missed, double, unopened, skewed, jam.",
    "A lane that cannot be picked from several times in a row is faulty until it is cleared; a jam "
    "stops the machine until it is cleared; an empty magazine stops it until it is refilled.",
    "Operators load, clear, restart and have other duties. They come on rounds, on calls, or both; "
    "the lowest number that is free goes, and takes the task that has waited longest of the most "
    "urgent kind.",
    "Stations stop the machine at random and are restarted; those behind the accumulation stop "
    "the outfeed first, and the machine when the accumulation is full.",
)
ASSUMPTIONS = (
    "A shift starts with full lanes, or with start_bags; what happens before the end of the "
    "warm-up is not counted.",
    "Chances of faults do not drift within a shift, but for bad bundles; stops come at random by "
    "the stated distributions, independent of one another and of the bags.",
    "Operators work at the stated times, do not tire and do not help one another.",
    "Bags and packs are supplied and taken away without end, but for the stated stations.",
)
CAUTIONS = (
    "The model is no safety assessment: load and clear only as the machine's guards, your local "
    "codes and trained people allow.",
    "No time in it is to be gained by reaching past a guard, and a target met on paper is no "
    "reason to hurry anybody: times of visits, loading and clearing must be those of work done "
    "safely.",
    "A larger magazine or longer rounds change what people lift, how far they reach and how long "
    "they are away: have those who do the work look at it before it is built.",
)
FIT_CAUTIONS = (
    "Gather such records only as the machine's guards, your local codes and trained people allow: "
    "no count is worth reaching into a machine that runs.",
)

STRESS_SOURCE = (
    "After STRESS-DES: T. Monks, C. S. M. Currie, B. S. Onggo, S. Robinson, M. Kunc and S. J. E. "
    "Taylor, Strengthening the reporting of empirical simulation studies, Journal of Simulation "
    "13 (2019); its headings from memory."
)
