-- every data file with a deleted row is written anew without it
call ducklake_rewrite_data_files('wh', delete_threshold => 0.0)
