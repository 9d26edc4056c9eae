-- an export that was only made to renew another one leaves no record of its own
delete from exported_set where folder = $folder
