# Common practice, no source
story "kept in the freezer for a week's run"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
place BENCH  kind=bench     assumed=20..24C
place FREEZER kind=store    assumed=-25..-18C
request R-1 patient=P-7001 tube=TB261037 type=LIHEP-GEL tests=K
08:00Z collect TB261037 by=mira at=WARD-N on=H-09
08:10Z take TB261037 from=mira by=oskar at=VAN on=H-07
08:40Z receive TB261037 from=oskar by=lena at=LAB on=H-01
08:50Z spin TB261037 by=lena at=BENCH on=H-01
09:02Z end-spin TB261037 by=lena at=BENCH on=H-01
09:10Z derive TB261038 parent=TB261037 tests=K by=lena at=BENCH on=H-01
09:12Z freeze TB261038 by=lena at=BENCH on=H-01
09:15Z store TB261038 in=FREEZER by=lena at=BENCH on=H-01
expect answer recorded
09:15Z expect TB261038 holder FREEZER at=FREEZER
2026-11-25T09:00Z expect TB261038 flag none
2026-11-25T10:00Z retrieve TB261038 from=FREEZER by=lena at=BENCH on=H-01
2026-11-25T10:10Z thaw TB261038 by=lena at=BENCH on=H-01
expect answer recorded
2026-11-25T10:10Z expect TB261038 holder BENCH
2026-11-25T10:10Z expect TB261038 doubt none
2026-11-25T10:10Z expect TB261038 facts Frozen=1
2026-11-25T10:10Z expect TB261038 facts Thawed=1
2026-11-25T10:10Z expect TB261037 facts Frozen=0
