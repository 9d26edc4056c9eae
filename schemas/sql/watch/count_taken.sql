-- one row: how many of the staged draws somebody else has stored since they were staged
select count(*)
from week_draw as d
semi join watch_draw as w on w.attribute = d.attribute and w.week = d.week and w.part = d.part
