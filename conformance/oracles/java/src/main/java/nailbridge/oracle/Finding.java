package nailbridge.oracle;

import java.util.stream.Collectors;
import java.util.stream.Stream;

/**
 * One thing the validator, or the reading before it, has to say.
 *
 * @param level fatal, error, warning or information
 * @param input the input's name
 * @param resource the input's type and id, as {@code Procedure/7}, as far as they could be read
 * @param location the place inside the input, in the validator's own notation
 * @param id the message id: the validator's key, or the invariant's canonical and name
 * @param text the message
 */
record Finding(String level, String input, String resource, String location, String id, String text) {
  /** The reading or the validator itself failed, so nothing is known of the input. No filter may ignore it. */
  static Finding failure(Input input, String id, Throwable cause) {
    return new Finding("fatal", input.name(), input.resource(), "", id, cause.toString());
  }

  boolean isError() {
    return level.equals("fatal") || level.equals("error");
  }

  /** Whether it fails the run unless it is filtered. */
  boolean isAlarm() {
    return isError() || level.equals("warning");
  }

  /** The columns, without tabs or line ends inside them. */
  String line() {
    return Stream.of(level, input, resource, location, id, text)
        .map(column -> column.replaceAll("\\s+", " ").strip())
        .collect(Collectors.joining("\t"));
  }
}
