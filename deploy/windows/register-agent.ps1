<#
.SYNOPSIS
  Registers the Ebbmark agent as a scheduled task that starts with the machine.
.DESCRIPTION
  Written after the documented ScheduledTasks cmdlets; not yet run on Windows. Run as administrator.
  The task runs as SYSTEM because smartctl needs raw devices. Remove it with -Remove.
#>
param(
  [string]$Home_ = "$env:ProgramFiles\Ebbmark",
  [string]$Settings = "$env:ProgramData\ebbmark\agent.toml",
  [switch]$Remove
)
$ErrorActionPreference = 'Stop'
$name = 'Ebbmark agent'

if ($Remove) {
  Stop-ScheduledTask -TaskName $name -ErrorAction SilentlyContinue
  Unregister-ScheduledTask -TaskName $name -Confirm:$false
  Write-Output "The task '$name' is gone. Settings and spool are kept in $env:ProgramData\ebbmark; delete that folder to leave nothing."
  return
}

[Environment]::SetEnvironmentVariable('EBBMARK_SETTINGS', $Settings, 'Machine')
$action = New-ScheduledTaskAction -Execute (Join-Path $Home_ 'Scripts\ebbmark-agent.exe') -Argument 'run'
$trigger = New-ScheduledTaskTrigger -AtStartup -RandomDelay (New-TimeSpan -Minutes 5)
$who = New-ScheduledTaskPrincipal -UserId 'SYSTEM' -LogonType ServiceAccount -RunLevel Highest
$how = New-ScheduledTaskSettingsSet -StartWhenAvailable -DontStopIfGoingOnBatteries -AllowStartIfOnBatteries `
  -ExecutionTimeLimit ([TimeSpan]::Zero) -RestartCount 5 -RestartInterval (New-TimeSpan -Minutes 1) `
  -MultipleInstances IgnoreNew -Priority 8
Register-ScheduledTask -TaskName $name -Action $action -Trigger $trigger -Principal $who -Settings $how -Force | Out-Null
Start-ScheduledTask -TaskName $name
Write-Output "The task '$name' is registered and started; its log is in the event viewer under Task Scheduler."
