"""A laboratory's year, invented: patients, illness, analyzers and faults of known truth.

    PYTHONPATH=tests python -m year --seed 7 --specimens 20000 --out year.jsonl

writes one header and one JSON object per specimen: the HL7 message, and what is true of it. The
same seed gives the same bytes. `verifier rules yield rules --cases year.jsonl` judges it.

What the *true* value of a spoiled result is: what the same analyzer would have reported for the
unspoiled specimen, its ordinary imprecision included. So imprecision alone is never a fault.

A fault of a result is **of critical consequence** when at least one of these holds:

1. *Critical value made, masked or turned round*: reported and true value do not have the same
   standing (below, within, above) under the laboratory's critical limits. However small the
   difference is: 6.3 for 6.1 mmol/L of potassium has a clinician called at night.
2. *Treatment would change*: reported and true value lie in different treatment zones (see
   `harm.py`: severe deficit, none, severe excess, by guideline thresholds) **and** differ by more
   than twice the allowable total error. Once the allowable error is what a laboratory tolerates in
   one result; two results of one specimen may honestly differ by twice of it and fall on two
   sides of a threshold. More than that is the fault's doing.
3. *Kidney injury invented or hidden*: creatinine differs from its true value by a factor of 1.5 or
   more and by more than 26.5 umol/L, which is what KDIGO 2012 calls an acute kidney injury.

It is counted for every single result, and in favor of harm: no fault is excused because the
clinician would have noticed, because another result of the specimen was held, or because the
patient was not treated. Differences beyond the allowable error that do not reach this are counted
apart, as *beyond allowable*.
"""
