-- one row: when the last run ended that was over before $began
select max(ended_at) from flow_run where ended_at < $began::timestamptz
