-- one row per attribute that has an incumbent: the model of its latest import or accepted sign-off
select
    attribute,
    arg_max(model_version, known_at) as model_version
from sign_off
where decision in ('import', 'accept')
group by attribute
