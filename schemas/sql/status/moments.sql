-- one row: when the last of each thing came in, in epoch microseconds, and how many rows were refused lately
select
    (select epoch_us(known_at) from warehouse_clock) as last_step_at,
    (select epoch_us(max(known_at)) from pull_batch where kind <> 'answers') as last_pull_at,
    (select epoch_us(max(started_at)) from flow_run where flow = 'flag' and state = 'done') as last_flag_at,
    (select epoch_us(max(known_at)) from fix_answer) as last_answer_at,
    (select epoch_us(max(started_at)) from flow_run where flow = 'settle' and state = 'done') as last_settle_at,
    (select epoch_us(max(known_at)) from label_revision) as last_label_at,
    (
        select coalesce(sum(rows_quarantined), 0)
        from pull_batch
        where known_at >= cast($since as timestamptz)
    ) as quarantined_count
