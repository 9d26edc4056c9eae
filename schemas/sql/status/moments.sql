-- one row: when the last of each thing came in, in epoch microseconds
select
    (select epoch_us(known_at) from warehouse_clock) as last_step_at,
    (select epoch_us(max(known_at)) from pull_batch where kind <> 'answers') as last_pull_at,
    (select epoch_us(max(known_at)) from pull_batch where kind = 'predictions') as last_log_at,
    (select epoch_us(max(started_at)) from flow_run where flow = 'flag' and state = 'done') as last_flag_at,
    (select epoch_us(max(known_at)) from fix_answer) as last_answer_at,
    (select epoch_us(max(started_at)) from flow_run where flow = 'settle' and state = 'done') as last_settle_at,
    (select epoch_us(max(known_at)) from label_revision) as last_label_at
