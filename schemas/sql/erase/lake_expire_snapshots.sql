-- all snapshots but the latest end, whatever another host's clock says
call ducklake_expire_snapshots('wh', older_than => now() + interval 1 day)
