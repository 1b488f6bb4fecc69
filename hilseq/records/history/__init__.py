"""What the records tell, each question answered by set-based SQL on either database.

| file | question |
|---|---|
| unit_history | what happened to this unit |
| part | how many units of this part pass the first time, where and how they fail, what all of them prove together |
| reading | is this reading in control |
| stands | do the stands agree about it, and is one drifting |
| gauge | how much of its spread is the measuring: repeats, slots, stands |
| retested | which units were tested until they passed |
| calibration_due | which instruments are due for calibration |

Hardware and simulated runs are never mixed: every question is about one or the other. The numbers come from
`hilseq.analysis`. `present` puts answers into words and tables, `drawings` into charts, `answer` into JSON, CSV and
HTML; none of them asks anything.
"""
