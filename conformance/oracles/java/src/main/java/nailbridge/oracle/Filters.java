package nailbridge.oracle;

import java.io.IOException;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.LinkedHashMap;
import java.util.List;
import java.util.Map;

/**
 * The alarms that are known to be false. Each line of the file names one, in four tab-separated columns: message id,
 * where (a resource type, or type/id), the exact location in the validator's notation, and the reason in words. Blank
 * lines and lines that begin with # are comments. There are no patterns: an entry ignores one message at one place.
 */
final class Filters {
  private static final int COLUMNS = 4;

  /** From an entry's key to whether it has met an alarm. */
  private final Map<Key, Boolean> met = new LinkedHashMap<>();

  private record Key(String id, String where, String location) {}

  /** Reads the file; null is a file without entries. */
  static Filters read(Path file) throws IOException, Refusal {
    Filters filters = new Filters();
    if (file == null) {
      return filters;
    }
    int number = 0;
    for (String line : Files.readAllLines(file)) {
      number++;
      if (line.isBlank() || line.startsWith("#")) {
        continue;
      }
      String[] columns = line.split("\t", -1);
      if (columns.length != COLUMNS || List.of(columns).stream().anyMatch(String::isBlank)) {
        throw new Refusal(file + ":" + number + ": an entry is message id, where, location and reason, with tabs between");
      }
      if (filters.met.put(new Key(columns[0], columns[1], columns[2]), false) != null) {
        throw new Refusal(file + ":" + number + ": a second entry for the same alarm");
      }
    }
    return filters;
  }

  /** Whether an entry names this alarm. A failure to read or to validate is never ignored. */
  boolean ignore(Finding finding) {
    if (!finding.isAlarm() || finding.level().equals("fatal")) {
      return false;
    }
    String type = finding.resource().replaceFirst("/.*", "");
    for (String where : List.of(finding.resource(), type)) {
      if (met.computeIfPresent(new Key(finding.id(), where, finding.location()), (key, used) -> true) != null) {
        return true;
      }
    }
    return false;
  }

  /** The entries that met no alarm, without their reasons. */
  List<String> unused() {
    return met.entrySet().stream()
        .filter(entry -> !entry.getValue())
        .map(Map.Entry::getKey)
        .map(key -> String.join("\t", key.id(), key.where(), key.location()))
        .toList();
  }
}
