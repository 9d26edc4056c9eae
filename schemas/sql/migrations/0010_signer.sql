-- who a decision came from beside the name that was given: the operating system's user and the host
alter table sign_off add column account varchar;
alter table sign_off add column host varchar;
