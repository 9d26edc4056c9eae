-- nor does its run
delete from flow_run
where flow = 'export' and (try_cast(parameters as json)->>'$.folder') = $folder
