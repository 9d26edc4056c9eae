-- one row per attribute with ten answers or more that say how long they took: their median seconds
select f.attribute, median(a.seconds) as seconds
from fix_answer as a
inner join label_fix as f on f.fix_id = a.fix_id
where a.seconds > 0
group by f.attribute
having count(*) >= 10
order by f.attribute
