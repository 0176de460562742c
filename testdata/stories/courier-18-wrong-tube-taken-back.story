# Common practice, no source
story "the wrong line of a printed list"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB261030,TB261031 type=LIHEP-GEL tests=K
08:00Z collect TB261030 TB261031 by=mira at=WARD-N on=H-09
08:20Z take TB261030 from=mira by=oskar at=VAN on=H-07
# lena has the printed list before her and reads the line above
09:00Z receive TB261031 from=oskar by=lena at=LAB on=H-01 id=r-1
09:00Z expect TB261031 holder LAB
09:02Z void r-1 tube=TB261031 by=lena at=LAB on=H-01 reason=wrong-line
expect answer recorded
09:02Z expect TB261031 holder mira at=WARD-N
09:02Z expect TB261031 facts Received=0
09:02Z expect TB261031 doubt none
09:03Z receive TB261030 from=oskar by=lena at=LAB on=H-01
09:03Z expect TB261030 holder LAB
09:03Z expect TB261030 doubt none
