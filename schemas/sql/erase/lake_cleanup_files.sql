-- files that only ended snapshots needed are deleted
call ducklake_cleanup_old_files('wh', cleanup_all => true)
