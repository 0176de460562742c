# CUS-S1 Twelve sealed, eleven arrive
# https://psnet.ahrq.gov/web-mm/pre-analytical-pitfalls-missing-and-mislabeled-specimens
story "one tube of twelve is missing"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier BG-50 kind=bag
request R-1 patient=P-7001 tube=TB260401,TB260402,TB260403,TB260404,TB260405,TB260406,TB260407,TB260408,TB260409,TB260410,TB260411,TB260412 type=LIHEP-GEL tests=K
08:10Z collect TB260401 TB260402 TB260403 TB260404 TB260405 TB260406 TB260407 TB260408 TB260409 TB260410 TB260411 TB260412 by=mira at=WARD-N on=H-09
08:20Z pack TB260401 TB260402 TB260403 TB260404 TB260405 TB260406 TB260407 TB260408 TB260409 TB260410 TB260411 TB260412 in=BG-50 by=mira at=WARD-N on=H-09
08:30Z seal BG-50 seal=S-901 count=12 by=mira at=WARD-N on=H-09
08:30Z expect BG-50 doubt none
08:40Z take BG-50 from=mira by=oskar at=VAN on=H-07 seal=S-901 count=12
10:05Z receive BG-50 from=oskar by=lena at=LAB on=H-01 seal=S-901
10:06Z open BG-50 seal=S-901 by=lena at=LAB on=H-01
10:10Z receive TB260401 TB260402 TB260403 TB260404 TB260405 TB260406 TB260407 TB260408 TB260409 TB260410 TB260411 in=BG-50 by=lena at=LAB on=H-01
10:11Z expect TB260412 doubt none
10:12Z empty BG-50 by=lena at=LAB on=H-01
10:12Z expect TB260412 doubt missing
10:12Z expect TB260401 doubt none
10:12Z expect TB260412 facts DoubtRaised=1
# it stays open until it is found, explained or declared lost by a person
11:30Z expect TB260412 doubt missing
11:40Z find TB260412 by=mira at=WARD-N on=H-09
11:40Z expect TB260412 doubt none
11:40Z expect TB260412 facts DoubtClosed=1
