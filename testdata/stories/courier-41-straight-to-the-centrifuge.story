# Common practice, no source
story "nobody receives the tubes one by one"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
place BENCH  kind=bench     assumed=20..24C
carrier B-41 kind=box
carrier R-41 kind=rack
request R-1 patient=P-7001 tube=TB261067,TB261068 type=LIHEP-GEL tests=K
08:00Z collect TB261067 TB261068 by=mira at=WARD-N on=H-09
08:05Z pack TB261067 TB261068 in=B-41 by=mira at=WARD-N on=H-09
08:10Z take B-41 from=mira by=oskar at=VAN on=H-07
08:40Z receive B-41 from=oskar by=lena at=LAB on=H-01
08:45Z rack TB261067 TB261068 in=R-41 by=lena at=BENCH on=H-01
expect answer recorded
expect carrier B-41 holds 0
expect carrier R-41 holds 2
08:46Z empty B-41 by=lena at=LAB on=H-01
08:50Z spin R-41 by=lena at=BENCH on=H-01
09:02Z end-spin R-41 by=lena at=BENCH on=H-01
09:02Z expect TB261067 doubt none
09:02Z expect TB261068/K within-limits used=62m
# a rack is emptied without a scan of each tube
09:30Z empty R-41 by=lena at=BENCH on=H-01
09:30Z expect TB261067 doubt none
09:30Z expect carrier R-41 holds 0
