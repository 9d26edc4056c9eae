-- one row at most: until when a step has seen all facts, under this definition
select max(done_until)
from step_progress
where step = $step and scope = $scope and definition_sha256 = $definition_sha256
