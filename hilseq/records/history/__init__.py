"""What the records tell: one question per file, each answered by set-based SQL on either database.

| file | question |
|---|---|
| unit_life | what happened to this unit |
| first_pass | how many units of this part pass the first time |
| pareto | where and how do they fail |
| pooled | what do all their starts and soak hours prove together |
| reading_chart | is this reading under control |
| stand_comparison | do the stands agree about it, and is one drifting |
| retried | which units were tested until they passed |
| recall | which instruments are due for calibration |

Hardware and simulated runs are never mixed: every question is about one or the other. The numbers come from
`hilseq.analysis`. `present` and `present_stands` put answers into words and tables, `page` into HTML; none of
them asks anything.
"""
