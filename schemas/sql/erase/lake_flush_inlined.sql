-- rows that the catalogue holds itself go into data files, deleted ones too
call ducklake_flush_inlined_data('wh')
